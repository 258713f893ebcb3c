"""The season as a whole: `make` it, `change` its settings, say its `status`, `check` it, `demo`."""
