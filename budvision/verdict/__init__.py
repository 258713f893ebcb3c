"""Feature rows to proposals: the verdict model, how it is trained, tested and kept."""
