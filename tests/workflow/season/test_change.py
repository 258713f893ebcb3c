"""Settings changed through the one door: checked, comments kept, used at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from budvision.errors import InputError, NotFoundError
from budvision.settings import Settings
from budvision.store.session import Season
from budvision.workflow.season.change import change_settings


def test_a_change_keeps_comments_and_other_tables_and_holds_at_once(tmp_path: Path) -> None:
    season = Season.create(tmp_path / "winter")
    config = season.folder / "budvision.toml"
    first = config.read_text(encoding="utf-8")
    assert change_settings(season, {"lab": 'Orun "west"', "units": "us", "paper": "a4"}) == (
        "lab", "units")
    assert season.settings.lab == 'Orun "west"'
    assert Settings.load(config).units == "us"
    text = config.read_text(encoding="utf-8")
    assert [line for line in text.splitlines() if line in first.splitlines()] == (
        first.splitlines())
    assert text.index("units = ") < text.index("# [database]"), "another table may begin there"
    config.write_text(text.replace('units = "us"', 'units = "us"  # as the co-op wants'),
                      encoding="utf-8")
    assert change_settings(season, {"confidence": "0.9", "cold_only": "yes"}) == (
        "confidence", "cold_only")
    assert "# as the co-op wants" in config.read_text(encoding="utf-8")
    assert change_settings(season, {"lab": "", "units": "metric", "confidence": "0.95",
                                    "cold_only": "no"})
    assert config.read_text(encoding="utf-8").split() == first.split()
    assert change_settings(season, {"units": "metric"}) == ()
    season.close()


@pytest.mark.slow
@pytest.mark.parametrize(("typed", "match"), [
    ({"confidence": "2"}, r"settings: confidence is 2\.0; expected a number from 0\.5 to 0\.999"),
    ({"confidence": "wide"}, "confidence is 'wide'; expected a float"),
    ({"units": "cubits"}, "units is 'cubits'; expected one of metric, us"),
    ({"cold_only": "perhaps"}, "cold_only is 'perhaps'"),
    ({"policy": "none such"}, "policy is 'none such'; expected one of"),
])
def test_a_wrong_value_changes_nothing(
    tmp_path: Path, typed: dict[str, str], match: str
) -> None:
    season = Season.create(tmp_path / "winter")
    config = season.folder / "budvision.toml"
    before = config.read_bytes()
    with pytest.raises(InputError, match=match):
        change_settings(season, {"lab": "Orun"} | typed)
    with pytest.raises(NotFoundError, match="labb is not a setting"):
        change_settings(season, {"labb": "Orun"})
    assert config.read_bytes() == before
    assert season.settings.lab == ""
    season.close()
