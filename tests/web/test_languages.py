"""Whose language a page speaks: the one chosen on it, the season's, the browser's, English."""

from __future__ import annotations

import html
from pathlib import Path

import pytest

from budvision.store.session import Season
from budvision.web import create_app


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    Season.create(tmp_path / "winter").close()
    return tmp_path / "winter"


def test_the_browser_chooses_until_a_person_does(folder: Path) -> None:
    app = create_app(folder, testing=True)
    client = app.test_client()
    german = {"Accept-Language": "de-AT, en;q=0.5"}
    assert '<html lang="en">' in client.get("/me").text
    page = client.get("/me", headers=german).text
    assert '<html lang="de">' in page
    assert "Wer sind Sie?" in page
    assert "¿Quién es usted?" in client.get("/me?lang=es", headers=german).text
    assert '<html lang="es">' in client.get("/me", headers=german).text, "kept in a cookie"
    assert '<html lang="es">' in client.get("/me?lang=xx", headers=german).text
    assert '"Primary": "Primaria"' in client.get("/me").text, "what scripts say stands on the page"


def test_a_season_fixes_the_language_and_data_stay_english(folder: Path) -> None:
    config = folder / "budvision.toml"
    config.write_text(config.read_text("utf-8") + '\n[settings]\nlanguage = "fr"\n', "utf-8") \
        if "[settings]" not in config.read_text("utf-8") else config.write_text(
            config.read_text("utf-8").replace("[settings]", '[settings]\nlanguage = "fr"', 1),
            "utf-8")
    client = create_app(folder, testing=True).test_client()
    assert '<html lang="fr">' in client.get("/me", headers={"Accept-Language": "de"}).text
    assert '<html lang="en">' in client.get("/me?lang=en").text


@pytest.mark.parametrize(("language", "words"), [
    ("fr", ("il n’y a pas de parcelle numéro 99", "Revenez à la liste des parcelles.")),
    ("de", ("es gibt keine Anlage Nummer 99", "Gehen Sie zurück zur Liste der Anlagen.")),
    ("es", ("no hay parcela número 99", "Vuelva a la lista de parcelas.")),
])
def test_an_error_stands_in_the_language_of_the_page_and_of_the_script(
    folder: Path, language: str, words: tuple[str, str]
) -> None:
    client = create_app(folder, testing=True).test_client()
    page = client.get(f"/results/block/99?lang={language}")
    assert page.status_code == 404
    assert all(one in html.unescape(page.text) for one in words)
    body = client.get("/results/block/99", headers={"Accept": "application/json"}).get_json()
    assert (body["what"], body["do"]) == words
    lost = html.unescape(client.get("/nowhere").text)
    assert "there is no such page" not in lost
