"""Pages of results: the season, a block, comparison, the season after, the cold, downloads."""

from budvision.web.results import (
    after_pages,
    block_pages,
    cold_pages,
    files,
    season_pages,
    table_pages,
)
from budvision.web.results.door import blueprint

__all__ = [
    "after_pages", "block_pages", "blueprint", "cold_pages", "files", "navigation", "season_pages",
    "table_pages",
]

navigation = ("Results", "results.overview")
