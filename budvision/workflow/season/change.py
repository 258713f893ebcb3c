"""Change the season's settings in its budvision.toml, comments and other tables kept."""

from __future__ import annotations

import re
from collections.abc import Mapping, MutableMapping

from budvision.errors import InputError, NotFoundError, StorageError
from budvision.settings import SETTINGS, Settings, Value
from budvision.store.config import CONFIG, write_config
from budvision.store.session import Season
from budvision.vineyard.policies import shipped_policies

__all__ = ["change_settings", "read_typed"]

_WHERE = "settings"
_HEAD = re.compile(r"\s*\[\s*settings\s*\]")


def read_typed(typed: Mapping[str, str]) -> dict[str, Value]:
    """Return settings from what a person typed, each in its own type and within its bounds.

    Raises
    ------
    NotFoundError
        When a name is not a setting.
    InputError
        When a text is no value of its setting; the text names the setting and the bounds.
    """
    known = {row.name: row for row in SETTINGS}
    for name in typed:
        if name not in known:
            raise NotFoundError(f"{name[:60]} is not a setting", where=_WHERE,
                                expected="a name from `budvision settings`", do="Correct it.")
    return {name: known[name].read(text, where=_WHERE) for name, text in typed.items()}


def change_settings(season: Season, typed: Mapping[str, str]) -> tuple[str, ...]:
    """Write settings into the season's budvision.toml, and use them from now on.

    A setting that is given its default loses its line. Comments, order and other tables stay.

    Parameters
    ----------
    season : Season
        The season; its `settings` are the new ones afterwards.
    typed : mapping of str to str
        What a person typed, by name; what is not named stays as it is.

    Returns
    -------
    tuple of str
        Names of the settings that have another value now.

    Raises
    ------
    InputError, NotFoundError
        As `read_typed`; nothing is written then. Also when the policy is not known here.
    StorageError
        When the file cannot be written; it is as it was.
    """
    from tomlkit.exceptions import TOMLKitError

    values = read_typed(typed)
    policies = shipped_policies(season.folder / "policies.toml")
    if (policy := values.get("policy")) is not None and policy not in policies:
        raise InputError(f"policy is {policy!r}", where=_WHERE,
                         expected=f"one of {', '.join(policies)}", do="Choose one of them.")
    path = season.folder / CONFIG
    if season.read_only:
        raise StorageError("the season may not be written", where=CONFIG, code="read_only",
                           do="Copy it to a disk that may be written, or mend the rights.")
    before = Settings.load(path)
    changed = tuple(name for name, value in values.items() if getattr(before, name) != value)
    if not changed:
        return ()
    try:
        text = _written(path.read_text(encoding="utf-8"), {name: values[name] for name in changed})
        write_config(path, text)
    except (OSError, TOMLKitError) as error:
        raise StorageError(f"it could not be written ({error})", where=CONFIG,
                           do="Check the disk and the folder's rights; nothing was changed.",
                           ) from error
    season.settings = Settings.load(path)
    return changed


def _written(text: str, values: Mapping[str, Value]) -> str:
    """Return the file with other values, each new line at the head of its table."""
    import tomlkit

    document, defaults = tomlkit.parse(text), Settings()
    if "settings" not in document:
        document["settings"] = tomlkit.table()
    table = document["settings"]
    assert isinstance(table, MutableMapping)
    fresh = []
    for name, value in values.items():
        if value == getattr(defaults, name):
            table.pop(name, None)
        elif name in table:
            table[name] = value
        else:
            fresh.append(f"{name} = {tomlkit.item(value).as_string()}\n")
    lines = tomlkit.dumps(document).splitlines(keepends=True)
    head = next((index for index, line in enumerate(lines) if _HEAD.match(line)), None)
    if head is None:
        raise InputError("it has no line [settings]", where=CONFIG, do="Add the line.",
                         expected="a line [settings] with the values below")
    lines[head] = lines[head].rstrip("\n") + "\n"
    return "".join([*lines[:head + 1], *fresh, *lines[head + 1:]])
