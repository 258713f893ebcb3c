"""The season as a whole: `make` it, say its `status`, `check` it, play the `demo`."""
