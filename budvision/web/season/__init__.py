"""Pages of the season itself: beginning it, its photographs, its settings, and keeping it safe."""

from budvision.web.season import keep_pages, photo_pages, settings_pages
from budvision.web.season.door import blueprint

__all__ = ["blueprint", "keep_pages", "navigation", "photo_pages", "settings_pages"]

navigation = ("Season", "season.home")
