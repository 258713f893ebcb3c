"""budvision: from photographs of cut grapevine buds to confirmed calls, mortality and pruning."""

__version__ = "0.1.0"
