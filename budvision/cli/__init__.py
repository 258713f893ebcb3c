"""The terminal: one module a group of commands, heavy imports inside the commands."""
