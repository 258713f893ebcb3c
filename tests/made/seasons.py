"""Small seasons for the archive's tests."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.verdict.registry import ModelEntry, add_model

AT = "2026-01-20T09:00:00.000Z"


def photo_bytes(number: int, *, private: bool) -> bytes:
    rng = np.random.default_rng([7, number])
    exif = Image.Exif()
    if private:
        exif[0x013B] = "Petra Quill"
        gps = exif.get_ifd(0x8825)
        gps[1], gps[2] = "N", (49.0, 53.0, 17.25)
    exif[0x0112] = 1
    buffer = io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (48, 64, 3), dtype=np.uint8)).save(
        buffer, "JPEG", exif=exif)
    return buffer.getvalue()


def make_season(
    folder: Path, *, n_photos: int = 6, first: int = 0, person: str = "Petra Quill",
    value: str = "dead", private: bool = True, at: str = AT, block: str = "Larch bench",
) -> Season:
    """A season with one block, two canes, a model, regions, proposals and calls."""
    season = Season.create(folder)
    with season.write() as conn:
        def add(table: str, **values: Any) -> int:
            return rows.add_row(conn, table, values)

        site = add("site", name="Upper terrace", added_at=at)
        blk = add("block", site_id=site, name=block, cultivar="Kestrel", added_at=at)
        sampling = add("sampling", block_id=blk, label="jan", added_at=at)
        who = add("person", name=person, role="reviewer", added_at=at, password_hash="hash")
        model = add("model", name="tuned-1", sha256="a" * 64, path="models/tuned-1", added_at=at)
        add("promotion", model_id=model, person_id=who, reason="first", added_at=at)
        canes = [add("cane", sampling_id=sampling, label=str(i + 1), added_at=at) for i in (0, 1)]
        for i in range(n_photos):
            stored = season.photos.add(photo_bytes(first + i, private=private and i % 2 == 0))
            photo = add(
                "photo", sha256=stored.sha256, file_name=f"p{i}.jpg", format="JPEG",
                n_bytes=stored.path.stat().st_size, width_px=64, height_px=48, added_at=at)
            bud = add("bud", cane_id=canes[i % 2], node=1 + i // 2, added_at=at)
            add("assignment", photo_id=photo, bud_id=bud, cut=1, source="manifest", added_at=at)
            labels = np.zeros((32, 32), np.uint8)
            labels[8:20, 10:24] = 1
            png = cv2.imencode(".png", labels)[1].tobytes()
            region = add("region", photo_id=photo, model_id=model, labels_png=png,
                         box=json.dumps([0, 8, 48, 56]), added_at=at)
            proposal = add("proposal", photo_id=photo, model_id=model, region_id=region,
                           found=True, added_at=at)
            add("proposal_tissue", proposal_id=proposal, tissue="primary", exposed=True,
                verdict="live", p_dead=0.1, features=json.dumps({"green": 0.5}))
            call = add("call", bud_id=bud, tissue="primary", value="live", person_id=who,
                       source="page", proposal_id=proposal, batch=f"b{i}", added_at=at)
            add("call", bud_id=bud, tissue="primary", value=value, person_id=who, source="page",
                batch=f"c{i}", replaces_id=call, note=f"seen by {person}", added_at=at)
    model_folder = season.models_folder / "tuned-1"
    model_folder.mkdir()
    (model_folder / "verdict.skops").write_bytes(b"model bytes")
    add_model(ModelEntry(name="tuned", version="1", folder=model_folder, files={},
                         feature_version="f-1", made="2026-01-20"))
    return season


def whole_content(season: Season) -> dict[str, list[dict[str, Any]]]:
    """Every archived row and the bytes of every photograph and model."""
    with season.read() as conn:
        out: dict[str, list[dict[str, Any]]] = {
            table: list(rows.stream(conn, table)) for table in rows.ARCHIVED}
    out["files"] = [
        {"name": str(p.relative_to(season.folder)), "data": p.read_bytes()}
        for folder in ("photos", "models") for p in sorted((season.folder / folder).rglob("*"))
        if p.is_file()]
    return out
