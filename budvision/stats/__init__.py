"""Shares, clusters, sequential rules and agreement."""
