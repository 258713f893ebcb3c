"""The archive: BagIt bags and their description."""
