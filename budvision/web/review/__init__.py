"""The review pages: a person confirms or corrects every call, one bud at a time."""

from budvision.web.review import api, pages, pictures, regions  # noqa: F401  (the routes)
from budvision.web.review.door import blueprint

__all__ = ["blueprint", "navigation"]

navigation = ("Review", "review.overview")
