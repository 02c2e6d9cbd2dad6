"""One file per store."""
