"""Sampling plans, mortality, pruning and crop."""
