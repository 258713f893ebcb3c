"""What an archive says of itself: the held-out split and the data card."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from budvision.language import plain_count

__all__ = ["HELD_OUT_SHARE", "Counts", "data_card", "not_as_saved", "split_of"]

HELD_OUT_SHARE = 0.2


def split_of(site: str, block: str) -> str:
    """Return ``held_out`` or ``train`` for a block: the same in every export, for every lab.

    The hash of the block's name decides, so a block never moves and all its canes stay together.
    """
    if not block:
        return ""
    digest = hashlib.sha256(f"{site}\n{block}".encode()).digest()
    return "held_out" if int.from_bytes(digest[:4], "big") / 2**32 < HELD_OUT_SHARE else "train"


def not_as_saved(facts: Mapping[str, object]) -> list[str]:
    """Return which rows were not as the program had saved them when they were exported."""
    found = facts.get("not_as_saved", [])
    return [str(one)[:300] for one in found] if isinstance(found, list) else []


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """What an archive holds."""

    n_photos: int
    n_cleaned: int
    n_regions: int
    n_calls: int
    n_people: int
    n_blocks: int
    n_models: int
    calls: Mapping[str, int]


def data_card(facts: Mapping[str, object], counts: Counts) -> str:
    """Write the data card from facts; no section is empty."""
    whole = facts.get("kind") == "whole"
    dead, live = counts.calls.get("dead", 0), counts.calls.get("live", 0)
    share = f"{dead / (dead + live):.1%}" if dead + live else "not known: nothing is called yet"
    private = (
        "This is a whole copy for the owner's own backup: photographs are byte for byte as they "
        "came, with whatever places, owners and serial numbers their files carry, and people "
        "stand by name. Do not pass it on."
        if whole else
        f"Places, owners, comments, maker notes and serial numbers were taken out of the "
        f"photographs' files ({counts.n_cleaned} of {counts.n_photos} held some); the coded "
        f"pictures are unchanged. `photos.csv` gives the hash before and after. People stand "
        f"{'by name, as was asked' if facts.get('names') else 'under pseudonyms'}. What a picture "
        f"itself shows (a label, a hand) was not looked at."
    )
    changed = "".join(f"- {one}\n" for one in not_as_saved(facts))
    caution = f"""## Not to be trusted as it is

Not all rows were as the program had saved them when they were exported; what rests on them may be
wrong:

{changed}
""" if changed else ""
    return f"""# Data card: photographs of cut grapevine buds with calls

Written by {facts.get("made_by")} on {facts.get("exported_at")}, laboratory `{facts.get("lab")}`.

{caution}## What it is

{plain_count(counts.n_photos, "photograph")} of cut compound buds from
{plain_count(counts.n_blocks, "block")}, {plain_count(counts.n_calls, "call")} by
{plain_count(counts.n_people, "person", "people")} (live, dead, unsure, not exposed, withdrawn),
{plain_count(counts.n_regions, "label picture")}, the proposals of
{plain_count(counts.n_models, "model")}, and every change of mind as a row of
its own.

## How it came about

Canes were sampled and kept in water, buds cut with a blade and photographed. A model proposed;
a named person confirmed or corrected every call. A call is a person's reading of one tissue of
one bud, not a laboratory test of its life.

## Composition

Calls: {", ".join(f"{name} {n}" for name, n in sorted(counts.calls.items())) or "none yet"}.
Share dead among live and dead, all tissues and readings together: {share}.

## Files

| file | content |
| --- | --- |
| `photos/` | the photographs, named by the SHA-256 of their bytes here |
| `photos.csv` | one line a photograph: hashes, block, sampling, cane, node, cut, split |
| `calls.csv` | one line a call, in the order they were made, with reader, round and blindness |
| `regions/` | label pictures (0 background, 1 primary, 2 secondary, 3 tertiary, 4 scales) |
| `regions.json` | the counted regions as polygons, in the COCO style |
| `rows/` | every row of the season's tables as JSON lines |
| `models/` | the season's own models |
| `croissant.json` | description of the tables for machines (Croissant 1.0) |

## Split

A block belongs to `held_out` or `train` by a hash of its site and name (about
{HELD_OUT_SHARE:.0%} held out). It never changes; measure on `held_out`, train on `train`.

## Privacy

{private}

## Limits

Buds of one cane are alike: split by cane or block, never by bud. Proposals were seen by most
readers before they called (`blind` says which calls were not led); agreement with the model is
only to be measured on blind calls. Regions made by a model are not truth.
"""
