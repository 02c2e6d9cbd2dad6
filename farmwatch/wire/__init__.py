"""Pure: bytes to readings and back."""
