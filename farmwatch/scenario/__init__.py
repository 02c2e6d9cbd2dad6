"""Pure: the Saltmarsh Works simulation; it knows the truth and renders the bytes its devices would send."""
