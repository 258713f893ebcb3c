"""People and blocks are known by their names in every script, whatever the case."""

from __future__ import annotations

from unicodedata import normalize

import pytest
from hypothesis import given
from hypothesis import strategies as st

from budvision.errors import ConflictError
from budvision.store.names import name_key
from budvision.store.queries import blocks, people, rows
from budvision.store.session import Season

NAMES = ("Élise Droz", "Öztürk Bahçe", "İnci Çelik", "Жанна Орлова", "Ærø Holm", "Ñuñoa",
         "Groß Allee", "Ὀδυσσεύς")


@pytest.mark.parametrize("name", NAMES)
def test_a_person_with_any_capital_is_added_and_found(any_season: Season, name: str) -> None:
    with any_season.write() as conn:
        assert people.add_person(conn, name).name == name
        for spelt in (name, name.lower(), name.upper(), f"  {name}  "):
            found = people.find_person(conn, spelt)
            assert found is not None
            assert found.name == name
        with pytest.raises(ConflictError, match="is there already"):
            people.add_person(conn, name.upper())
        assert people.ensure_person(conn, name.casefold()).name == name


@pytest.mark.parametrize("name", NAMES)
def test_a_block_is_one_however_it_is_spelt(any_season: Season, name: str) -> None:
    with any_season.write() as conn:
        key = blocks.ensure_block(conn, name)
        assert blocks.ensure_block(conn, name.upper()) == key
        assert blocks.ensure_block(conn, f" {name.lower()}") == key
        assert [row.name for row in blocks.list_blocks(conn)] == [name]


def test_composed_and_decomposed_letters_are_one(any_season: Season) -> None:
    with any_season.write() as conn:
        one = people.add_person(conn, "E\u0301lise")
        assert one.name == "\u00c9lise"
        assert people.find_person(conn, "\u00e9lise") == one
        assert blocks.ensure_block(conn, "Cha\u0302teau") == blocks.ensure_block(
            conn, "ch\u00e2teau")


def test_the_key_is_no_column_of_an_archive(season: Season) -> None:
    with season.write() as conn:
        people.add_person(conn, "Élise")
        [row] = rows.stream(conn, "person")
    assert "name_key" not in row
    assert "name_key" not in rows.columns_of("person")


@pytest.mark.slow
@given(st.text(max_size=30))
def test_the_key_does_not_depend_on_how_letters_are_composed(name: str) -> None:
    assert name_key(normalize("NFC", name)) == name_key(normalize("NFD", name)) == name_key(name)
