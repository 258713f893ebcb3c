"""The season folder: tables, queries, photographs by content."""
