"""The page, its data and its server."""
