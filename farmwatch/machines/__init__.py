"""Pure: machine state, builds and finish times."""
