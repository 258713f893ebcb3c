"""Pages of the bench: plan and print, photograph each cut, sort what came without a page."""

from budvision.web.bench.pages import blueprint

__all__ = ["blueprint", "navigation"]

navigation = ("Bench", "bench.start")
