"""The settings file: whatever stands in it is a setting or a refusal."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from budvision.errors import InputError
from budvision.settings import SETTINGS, Settings
from budvision.store.session import Season

NAMES = [row.name for row in SETTINGS]
VALUES = st.sampled_from([
    "1", "-1", "1.5", "nan", "inf", "9" * 400, "true", '"x"', '""', "[]", "[[[]]]", "{}", "{a = 1}",
    "2026-02-30", "2026-02-14", "'a'", "\"\"\"\n\"\"\"", "", "[" * 3000,
])
LINES = st.one_of(
    st.builds("{} = {}".format, st.sampled_from([*NAMES, "database", "settings", "photos", "url",
                                                 "folder", "address", "a.b"]), VALUES),
    st.sampled_from(["[settings]", "[database]", "[photos]", "[[settings]]", "[settings.x]", "\r"]),
    st.text(max_size=12),
)


@pytest.mark.parametrize("text", [
    'database = "x"', "settings = 3", "photos = [1]", "[[settings]]\nx = 1", "[database]\nurl = 7",
    "x = " + "[" * 3000, "[settings]\nnormal_nodes = " + "9" * 400, "[settings]\nconfidence = nan",
    "\ud800",
])
def test_a_season_with_a_wrong_settings_file_says_so(season: Season, text: str) -> None:
    (season.folder / "budvision.toml").write_bytes(text.encode("utf-8", "surrogatepass"))
    with pytest.raises(InputError, match="budvision.toml"):
        Season.open(season.folder)


@given(st.lists(LINES, max_size=8))
def test_any_text_is_settings_or_a_refusal(tmp_path: Path, lines: list[str]) -> None:
    path = tmp_path / "budvision.toml"
    path.write_text("\n".join(lines), encoding="utf-8", errors="replace", newline="")
    try:
        assert set(asdict(Settings.load(path))) == set(NAMES)
    except InputError as error:
        assert "budvision.toml" in str(error)  # noqa: PT017
