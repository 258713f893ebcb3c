"""Errors have one form: where, what, expected what, and the next step."""

from __future__ import annotations

import pytest

from budvision import errors
from budvision.errors import BudvisionError, InputError
from budvision.settings import Settings


def test_text_names_where_what_expected_and_next_step() -> None:
    error = InputError(
        'primary is "brwn"', where="calls.csv, row 17", expected="live, dead or empty",
        do="Correct the row and import again; nothing was imported.",
    )
    assert str(error) == (
        'calls.csv, row 17: primary is "brwn"; expected live, dead or empty. '
        "Correct the row and import again; nothing was imported."
    )
    assert error.as_dict() == {
        "ok": False, "code": "bad_input", "where": "calls.csv, row 17",
        "what": 'primary is "brwn"', "expected": "live, dead or empty",
        "do": "Correct the row and import again; nothing was imported.",
    }


@pytest.mark.parametrize(
    "name", [name for name in errors.__all__ if name != "BudvisionError"]
)
def test_each_error_also_is_the_builtin_it_resembles(name: str) -> None:
    kind = getattr(errors, name)
    assert issubclass(kind, BudvisionError)
    assert any(
        base.__module__ == "builtins" and base not in (Exception, BaseException, object)
        for base in kind.__mro__
    )
    assert kind.exit_code in {1, 2, 3, 4, 5, 6}


def test_settings_refuse_unknown_names_types_and_bounds(tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "budvision.toml"
    path.write_text('[settings]\nconfidence = 0.9\nunits = "us"\n', encoding="utf-8")
    settings = Settings.load(path)
    assert settings.confidence == 0.9
    assert settings.units == "us"
    with pytest.raises(InputError, match="confidnce is not a setting"):
        Settings.of({"confidnce": 0.9}, where="options")
    with pytest.raises(InputError, match="expected a number from 0.5 to 0.999"):
        Settings(confidence=95.0)
    with pytest.raises(InputError, match="expected a float"):
        Settings.of({"confidence": "high"}, where="options")
    with pytest.raises(InputError, match="one of metric, us"):
        Settings(units="imperial")
    path.write_text("[settings\n", encoding="utf-8")
    with pytest.raises(InputError, match="it is not TOML"):
        Settings.load(path)
