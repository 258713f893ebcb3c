"""Rendered photographs of cut buds with exact labels, for training, tests and the demo."""
