"""Pure: from a condition to a message."""
