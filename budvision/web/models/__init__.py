"""Pages of the models: which proposes, how it does, training, comparing, promoting, going back."""

from budvision.web.models import pages
from budvision.web.models.pages import blueprint

__all__ = ["blueprint", "navigation", "pages"]

navigation = ("Models", "models.overview")
