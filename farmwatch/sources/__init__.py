"""One file per transport; ``SOURCES`` names them all."""
