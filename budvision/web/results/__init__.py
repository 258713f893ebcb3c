"""Pages of results: the season, a block, comparison, the season after, the cold, downloads."""

from budvision.web.results import block_pages, files, season_pages
from budvision.web.results.door import blueprint

__all__ = ["block_pages", "blueprint", "files", "navigation", "season_pages"]

navigation = ("Results", "results.overview")
