"""Pages of the season: beginning it, its blocks, photographs and settings, keeping it safe."""

from budvision.web.season import block_pages, health_pages, keep_pages, photo_pages, settings_pages
from budvision.web.season.door import blueprint

__all__ = ["block_pages", "blueprint", "health_pages", "keep_pages", "navigation", "photo_pages",
           "settings_pages"]

navigation = ("Season", "season.home")
