"""Pages on loopback: bench, review and results."""
