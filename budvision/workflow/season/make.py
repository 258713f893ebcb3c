"""Make a season, and set facts of its blocks."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from budvision.errors import SeasonError
from budvision.store.config import CONFIG
from budvision.store.names import clean_label
from budvision.store.queries import blocks, people
from budvision.store.session import Season
from budvision.vineyard.policies import shipped_policies
from budvision.vineyard.potential import check_class
from budvision.vineyard.training import check_training
from budvision.workflow.season.change import change_settings, read_typed

__all__ = ["begin", "init", "set_block"]


def init(
    folder: Path, *, site: str = "", database_url: str | None = None,
    photos: Path | str | None = None,
) -> Season:
    """Make a season in a folder and name its site; parameters as in `Season.create`.

    Raises
    ------
    SeasonError
        When the folder is a season already.
    InputError
        When the site's name cannot be used.
    """
    if site and not (folder / CONFIG).exists():
        site = clean_label(site, "site")
    season = Season.create(folder, database_url=database_url, photos=photos)
    with season.write() as conn:
        if site or not blocks.list_sites(conn):
            blocks.ensure_site(conn, site or season.folder.name or "site")
    return season


def begin(folder: Path, *, site: str, lead: str, typed: Mapping[str, str]) -> None:
    """Make a season with its first settings and its lead; all is checked before anything is made.

    Parameters
    ----------
    folder : Path
        Folder of the new season.
    site, lead : str
        Name of the site, and of the person who leads the program.
    typed : mapping of str to str
        Settings as they were typed, by name.

    Raises
    ------
    SeasonError
        When the folder is a season already.
    InputError
        When a name or a setting cannot be used.
    StorageError
        When the folder cannot be written.
    """
    site, lead = clean_label(site, "site"), clean_label(lead, "name")
    read_typed(typed)
    with init(folder, site=site) as season:
        change_settings(season, typed)
        with season.write() as conn:
            people.add_person(conn, lead, "lead")


def set_block(
    season: Season, name: str, *, create: bool = False, **values: Any
) -> blocks.Block:
    """Change facts of a block: normal nodes, policy, cultivar, spacing, training system.

    Parameters
    ----------
    name : str
        The block.
    create : bool
        Make it when it is new.
    **values
        What `budvision.store.queries.blocks.update_block` takes; None leaves a fact as it is.

    Raises
    ------
    NotFoundError
        When there is no such block.
    InputError
        When the training system names neither spurs nor canes.
    SeasonError
        When the policy is not among those that ship or stand in the season's `policies.toml`.
    """
    given = {key: value for key, value in values.items() if value is not None}
    if policy := given.get("policy"):
        known = shipped_policies(season.folder / "policies.toml")
        if policy not in known:
            raise SeasonError(
                f"there is no policy {policy!r}", where=f"block {name}", code="no_policy",
                expected=f"one of {', '.join(known)}", do="Correct the name.",
            )
    check_training(given.get("training_system", ""), where=f"block {name}")
    check_class(given.get("cultivar_class", ""), where=f"block {name}")
    with season.write() as conn:
        if create:
            blocks.ensure_block(conn, name)
        found = blocks.get_block(conn, name)
        blocks.update_block(conn, found.id, **given)
        return blocks.get_block(conn, name)
