"""The season's settings as a page: value, what it does, default."""

from __future__ import annotations

from dataclasses import dataclass

from flask import current_app, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from budvision.errors import BudvisionError
from budvision.language import say, told, typed_number
from budvision.settings import SETTINGS, Setting, Value
from budvision.vineyard.policies import shipped_policies
from budvision.web.current import current_season
from budvision.web.season.door import blueprint
from budvision.workflow.season.change import change_settings


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingRow:
    """One setting as the page shows it; `was` is what stood when the page was made."""

    setting: Setting
    kind: str
    title: str
    typed: str
    was: str
    default: str
    choices: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SettingsPage:
    """Every setting, and why the last form was refused."""

    rows: tuple[SettingRow, ...]
    problem: str
    file: str


def _words(value: Value) -> str:
    """Return a value as people type it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return typed_number(value) if isinstance(value, int | float) else value


def _rows(typed: dict[str, str], was: dict[str, str]) -> tuple[SettingRow, ...]:
    season = current_season()
    rows = []
    for one in SETTINGS:
        choices = one.choices
        if one.name == "policy":
            choices = tuple(shipped_policies(season.folder / "policies.toml"))
        elif isinstance(one.default, bool):
            choices = ("yes", "no")
        stands = _words(getattr(season.settings, one.name))
        kind = "choice" if choices else "text" if isinstance(one.default, str) else "number"
        rows.append(SettingRow(
            setting=one, kind=kind, title=say(one.title), choices=choices,
            typed=typed.get(one.name, stands), was=was.get(one.name, stands),
            default=_words(one.default)))
    return tuple(rows)


def _page(typed: dict[str, str], was: dict[str, str], problem: str = "") -> str:
    file = str(current_season().folder / "budvision.toml")
    return render_template("season/settings.html", page=SettingsPage(
        _rows(typed, was), problem, file))


@blueprint.get("/settings")
def settings() -> ResponseReturnValue:
    """Show every setting with its help and default."""
    return _page({}, {})


@blueprint.post("/settings")
def settings_change() -> ResponseReturnValue:
    """Keep what was changed on the page; what another person changed meanwhile stays."""
    names = [one.name for one in SETTINGS]
    typed = {name: request.form[name] for name in names if name in request.form}
    was = {name: request.form.get(f"was-{name}", "") for name in typed}
    season = current_season()
    try:
        changed = change_settings(season, {
            name: text for name, text in typed.items() if text.strip() != was[name]})
    except BudvisionError as error:
        return _page(typed, was, told(error)), 400
    current_app.config["MAX_CONTENT_LENGTH"] = int(
        (season.settings.max_upload_mb + 1) * 1_000_000)
    flash(say("Kept: {names}.", names=", ".join(
        say(one.title) for one in SETTINGS if one.name in changed))
          if changed else say("Nothing was changed."))
    if "cane_base" in changed:
        flash(say("Photographs that were looked at before keep the names of their tissues until "
                  "they are proposed anew on the models' page."))
    return redirect(url_for("season.settings"), 303)
