"""Invented seasons with every optional field, small, for round trips through the archive."""

from __future__ import annotations

import json
import random
from typing import Any

import cv2
import numpy as np

from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.vocabulary import TISSUES

VALUES = ("live", "dead", "unsure", "not_exposed")
WORDS = ("", "a note", "Zoë's 3 %, \"late\"\nsecond line", "\u2028 odd", "Odo Marsh saw it")


def _at(rng: random.Random, year: int = 2026) -> str:
    return (f"{year}-0{rng.randint(1, 3)}-{rng.randint(10, 28)}T{rng.randint(10, 23)}:"
            f"{rng.randint(10, 59)}:00.{rng.randint(0, 999):03d}Z")


def _png(rng: random.Random) -> bytes:
    labels = np.zeros((16, 16), np.uint8)
    labels[2:rng.randint(4, 15), 3:12] = rng.randint(1, 4)
    return cv2.imencode(".png", labels)[1].tobytes()


def fill(season: Season, rng: random.Random, photo: Any, *, first: int = 0) -> None:
    """Put an invented winter into an empty season; `photo(i)` gives the bytes of a photograph."""
    with season.write() as conn:
        def add(table: str, **values: Any) -> int:
            if table != "proposal_tissue":  # the one table without a time
                values = {"added_at": _at(rng, 2026 if first == 0 else 2025), **values}
            return rows.add_row(conn, table, values)

        def maybe(*values: Any) -> Any:
            return rng.choice((None, *values))

        people = [add("person", name=name, role=rng.choice(("technician", "reviewer", "lead")),
                      password_hash=maybe("scrypt:1"), active=rng.random() < 0.8)
                  for name in ("Odo Marsh", "Ida Fenn", "Bo")[:rng.randint(1, 3)]]
        models = [add("model", name=f"tuned-{i}", sha256=f"{i}{first}".rjust(64, "a"),
                      path=f"models/tuned-{i}", facts=json.dumps({"n": i}))
                  for i in range(rng.randint(1, 2))]
        for model in models[:rng.randint(0, 2)]:
            add("promotion", model_id=model, person_id=maybe(*people), reason=rng.choice(WORDS))
        shots: list[int] = []
        for s in range(rng.randint(1, 2)):
            site = add("site", name=f"site {s}", note=rng.choice(WORDS))
            for b in range(rng.randint(1, 2)):
                block = add(
                    "block", site_id=site, name=f"block {s}-{b}",
                    cultivar=rng.choice(("", "Kestrel")), cultivar_class=rng.choice(("", "hybrid")),
                    normal_nodes=maybe(30.0, 41.5), policy=maybe("common"),
                    secondary_crop=maybe(0.2, 1 / 3), training_system=rng.choice(("", "high wire")),
                    row_spacing_m=maybe(2.7), vine_spacing_m=maybe(1.83),
                    layout=rng.choice(("{}", '{"shares": {"small": 0.25, "large": 0.75}}')),
                    note=rng.choice(WORDS))
                if rng.random() < 0.4:
                    add("crop_record", block_id=block, kind="shoots_per_m", value=rng.random() * 20,
                        spread=maybe(0.7), n_counted=(None, 8)[b],
                        unit="1/m", measured_on="2026-06-02",
                        person_id=maybe(*people), note=rng.choice(WORDS))
                if rng.random() < 0.4:
                    add("wood_cut", block_id=block, part=rng.choice(("cane", "cordon", "trunk")),
                        vine=rng.choice(("v12", "v13")), position=rng.choice(("", "30 cm")),
                        phloem=rng.choice(("", "live", "dead", "unsure")), cambium="dead",
                        cut_on="2026-02-02", person_id=rng.choice(people), note=rng.choice(WORDS))
                for label in ("jan", "feb")[:rng.randint(1, 2)]:
                    sampling = add(
                        "sampling", block_id=block, label=label, collected_at=maybe(_at(rng)),
                        in_water_at=maybe(_at(rng)), out_of_water_at=maybe(_at(rng)),
                        room_temp_c=maybe(20.5), note=rng.choice(WORDS))
                    _canes(rng, add, maybe, season, photo, first, sampling, people, models, shots)
        for i in range(rng.randint(0, 2)):
            rows.add_row(conn, "temperature", {
                "station": "hill", "measured_at": f"2026-01-0{i + 1}T03:00:00.000Z",
                "celsius": -20.25 + i / 3})


def _canes(
    rng: random.Random, add: Any, maybe: Any, season: Season, photo: Any, first: int,
    sampling: int, people: list[int], models: list[int], shots: list[int],
) -> None:
    for label, vine in rng.sample([("1", "v12"), ("1", "v13"), ("1", ""), ("2", "")],
                                  rng.randint(1, 3)):
        cane = add("cane", sampling_id=sampling, label=label, vine=vine,
                   vigor=rng.choice(("", "small", "large")), zone=rng.choice(("", "north")),
                   position=rng.randint(0, 9))
        for node in range(1, rng.randint(2, 3)):
            bud = add("bud", cane_id=cane, node=node)
            shown = hidden = None
            if rng.random() < 0.5:
                stored = season.photos.add(photo(first + len(shots)))
                shots.append(1)
                shot = add("photo", sha256=stored.sha256, file_name="p.jpg", format="JPEG",
                           n_bytes=stored.path.stat().st_size, width_px=64, height_px=48,
                           taken_at=maybe(_at(rng)), camera=rng.choice(("", "Lens Works Field 3")))
                placed = add("assignment", photo_id=shot, bud_id=bud, cut=1, source="manifest",
                             person_id=maybe(*people))
                if rng.random() < 0.3:
                    add("assignment", photo_id=shot, bud_id=maybe(bud), cut=2, source="page",
                        person_id=maybe(*people), note=rng.choice(WORDS), replaces_id=placed)
                hidden = add("region", photo_id=shot, model_id=rng.choice(models),
                             box="[0,8,48,56]", labels_png=_png(rng))
                if rng.random() < 0.3:
                    add("region", photo_id=shot, person_id=rng.choice(people), box="[0,8,48,56]",
                        labels_png=_png(rng), note=rng.choice(WORDS), replaces_id=hidden)
                shown = add("proposal", photo_id=shot, model_id=rng.choice(models),
                            region_id=maybe(hidden), found=True, mm_per_px=maybe(0.0103),
                            reasons='[{"code": "x", "text": "y"}]')
                rows_ = rng.sample([t.value for t in TISSUES], rng.randint(1, 3))
                for tissue in rows_:
                    add("proposal_tissue", proposal_id=shown, tissue=tissue, exposed=True,
                        verdict=maybe("live", "dead", "unsure"), p_dead=maybe(0.1, 1 / 3),
                        area_px=maybe(1234), centre_row=maybe(20.5), centre_col=maybe(31.25),
                        why=rng.choice(WORDS), features='{"green": 0.5}')
            for tissue in [t.value for t in TISSUES][:rng.randint(0, 3)]:
                before = None
                for _ in range(rng.randint(1, 2)):
                    before = add(
                        "call", bud_id=bud, tissue=tissue, value=rng.choice(VALUES),
                        cause=rng.choice(("", "mechanical")), note=rng.choice(WORDS),
                        person_id=rng.choice(people),
                        round=rng.choice(("first", "first", "second", "settled")),
                        source=rng.choice(("page", "import", "archive")), blind=rng.random() < 0.2,
                        proposal_id=maybe(shown), region_id=maybe(hidden), replaces_id=before,
                        batch=rng.choice(("", "b1")), entered_by_id=maybe(*people))
            if rng.random() < 0.2:
                add("mark", bud_id=bud, kind="node", value=rng.choice(("missing", "blind", "")),
                    person_id=maybe(*people), note=rng.choice(WORDS))

