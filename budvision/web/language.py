"""The language of a page: what a person chose, what the season says, what the browser asks for."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from urllib.parse import urlencode

from flask import Flask, current_app, request
from flask.wrappers import Response

from budvision.language import (
    LANGUAGES,
    choose,
    form_of,
    grouped,
    say,
    say_n,
    speak,
    spoken,
    typed_number,
)
from budvision.report.words import percent, percent_range, plain
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Cause, Tissue
from budvision.web.current import SEASON_KEY
from budvision.web.sentences import Sentences, rich, rich_n, script_messages

__all__ = ["install"]

_COOKIE = "budvision_language"
_A_YEAR_S = 365 * 24 * 3600


def install(app: Flask) -> None:
    """Give pages their language, and templates the words to say messages with."""
    app.jinja_env.add_extension(Sentences)
    app.jinja_env.globals.update(say=say, say_n=say_n, rich=rich, rich_n=rich_n,
                                 spoken=spoken, grouped=grouped, percent=percent,
                                 percent_range=percent_range, typed_number=typed_number,
                                 script_words=_script_words)
    app.before_request(_speak)
    app.after_request(_remember)
    app.context_processor(lambda: {"languages": _switch()})


def _script_words() -> dict[str, str | list[str]]:
    """Return what the pages' scripts say, by its English, both forms where a count decides."""
    if spoken() == "en":
        return {}
    words: dict[str, str | list[str]] = {}
    for message in _of_scripts():
        if isinstance(message, str):
            words[message] = say(message)
        else:
            words[message[0]] = [form_of(*message, n) for n in (1, 2)]
    return words


@cache
def _of_scripts() -> tuple[str | tuple[str, str], ...]:
    folder = Path(__file__).resolve().parent
    found = [message for path in sorted(folder.rglob("*.js"))
             for message in script_messages(path.read_text(encoding="utf-8"))]
    return (*found, *(plain(str(word)) for word in (*Tissue, *CallValue, *Cause)))


def _speak() -> None:
    wanted = (_asked(), request.cookies.get(_COOKIE, ""), _of_season())
    speak(next((one for one in wanted if one in LANGUAGES), "")
          or choose(request.headers.get("Accept-Language", "")))


def _asked() -> str:
    """Return the language that the address asks for, empty where it asks for none."""
    asked = request.args.get("lang", "")
    return asked if asked in LANGUAGES else ""


def _of_season() -> str:
    season = current_app.extensions.get(SEASON_KEY)
    return season.settings.language if isinstance(season, Season) else ""


def _remember(response: Response) -> Response:
    """Keep what a person chose on a page."""
    if _asked():
        response.set_cookie(_COOKIE, _asked(), max_age=_A_YEAR_S, samesite="Lax", httponly=True,
                            secure=bool(current_app.config["SESSION_COOKIE_SECURE"]))
    return response


def _switch() -> list[tuple[str, str, str]]:
    """Return each language's code, own name and the address of this page in it."""
    if request.method != "GET":
        return []
    kept = [(name, value) for name, value in request.args.items(multi=True) if name != "lang"]
    return [(code, name, f"?{urlencode([*kept, ('lang', code)])}")
            for code, name in LANGUAGES.items()]
