"""Every error raised on purpose: one base class, one form.

The text of an error reads ``where: what is wrong; expected what. The next step.`` so that a
person knows what to do and a script can take the parts apart.
"""

from __future__ import annotations

__all__ = [
    "BudvisionError",
    "ConflictError",
    "DamagedError",
    "InputError",
    "MissingLibraryError",
    "NotFoundError",
    "NothingToDoError",
    "PhotoError",
    "PolicyError",
    "SeasonError",
    "StorageError",
    "UsageError",
    "VerificationError",
    "WaitingError",
]


class BudvisionError(Exception):
    """Report something that a person can put right.

    Parameters
    ----------
    what : str
        What is wrong, with the offending value in the text.
    expected : str, optional
        What would have been right.
    do : str, optional
        The next step, a sentence of its own.
    where : str, optional
        File, row, column, argument or page that the error is about.
    code : str, optional
        Machine-readable name; the class's own code when left out.
    """

    code = "error"
    exit_code = 3

    def __init__(
        self, what: str, *, expected: str = "", do: str = "", where: str = "", code: str = ""
    ) -> None:
        self.what = what
        self.expected = expected
        self.do = do
        self.where = where
        if code:
            self.code = code
        super().__init__(self._text())

    def _text(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.expected:
            text += f"; expected {self.expected}"
        text = text.rstrip(".") + "."
        if self.do:
            text += f" {self.do}"
        return text

    def __str__(self) -> str:
        return self._text()

    def without_where(self) -> str:
        """Return the text without the place, for what names the place already."""
        text = self._text().removeprefix(f"{self.where}: ") if self.where else self._text()
        return text[:1].upper() + text[1:]

    def as_dict(self) -> dict[str, object]:
        """Return the error as the JSON object that commands and pages answer with."""
        return {
            "ok": False,
            "code": self.code,
            "where": self.where,
            "what": self.what,
            "expected": self.expected,
            "do": self.do,
        }


class InputError(BudvisionError, ValueError):
    """A value, row or file content that cannot be used."""

    code = "bad_input"


class PhotoError(InputError):
    """A photograph that cannot be read or judged."""

    code = "photo_unreadable"


class PolicyError(InputError):
    """A pruning policy whose bands overlap, leave a gap or name an unknown action."""

    code = "bad_policy"


class UsageError(BudvisionError, ValueError):
    """A command or function called in a way that has no meaning."""

    code = "usage"
    exit_code = 2


class NotFoundError(BudvisionError, LookupError):
    """A named thing (block, sampling, model, person, file) that does not exist."""

    code = "not_found"


class SeasonError(BudvisionError, RuntimeError):
    """A season folder that is missing, of another version or damaged."""

    code = "season"


class DamagedError(SeasonError):
    """A season whose database or folder is missing or damaged: its evidence cannot be verified."""

    code = "season_damaged"
    exit_code = 5


class StorageError(BudvisionError, OSError):
    """A file or database that could not be written or read."""

    code = "storage"


class ConflictError(BudvisionError, RuntimeError):
    """Two people or two files that claim the same thing."""

    code = "conflict"


class NothingToDoError(BudvisionError, RuntimeError):
    """A command that found no work."""

    code = "nothing_to_do"
    exit_code = 4


class VerificationError(BudvisionError, ValueError):
    """Content that does not match its listed hash, size or signature."""

    code = "verification"
    exit_code = 5


class WaitingError(BudvisionError, RuntimeError):
    """A result that cannot be given until a person has confirmed calls."""

    code = "waiting"
    exit_code = 6


class MissingLibraryError(BudvisionError, ImportError):
    """A system or Python library that is not installed."""

    code = "missing_library"
