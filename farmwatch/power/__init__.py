"""Pure: load tree, energy, backups, outages."""
