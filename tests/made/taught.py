"""What training learns from: a base model, and a season's calls with features.

Features are drawn, not measured, so that the truth is known and no network is needed.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from budvision.learning.train import fit_verdict
from budvision.photo.features import FEATURE_NAMES, FEATURE_VERSION, FEATURES
from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.verdict.persist import save_verdict
from budvision.verdict.registry import ModelEntry, add_model

AT = "2026-01-20T09:00:00.000Z"
GREEN = FEATURE_NAMES.index("green_red_inner")
LIGHT = FEATURE_NAMES.index("light_inner")
LOW = np.array([f.low for f in FEATURES])
HIGH = np.array([f.high for f in FEATURES])


def feature_rows(rng: np.random.Generator, dead: np.ndarray, *, lamp: float = 0.0) -> np.ndarray:
    """Rows whose green tells live from dead, moved by the lamp."""
    n = len(dead)
    values = np.tile((0.5 * (LOW + HIGH)), (n, 1)) * 0.0 + np.clip(
        rng.normal(0.3, 0.05, (n, len(FEATURE_NAMES))), LOW, HIGH)
    values[:, GREEN] = rng.normal(np.where(dead, -0.35, 0.35), 0.13) + lamp
    values[:, LIGHT] = rng.normal(np.where(dead, -1.2, -0.6), 0.35)
    return np.clip(values, LOW, HIGH)


def make_base(folder: Path) -> Path:
    """Make a model to start from; the network stands empty, since features are drawn."""
    rng = np.random.default_rng(1)
    dead = rng.random(900) < 0.5
    fitted = fit_verdict(feature_rows(rng, dead), dead, np.arange(900) // 3, rng=rng,
                         kinds=("logistic",))
    folder.mkdir(parents=True)
    save_verdict(fitted.model, folder / "verdict.skops")
    (folder / "segmenter.onnx").write_bytes(b"stands for a network")
    add_model(ModelEntry(name="plain", version="1", folder=folder, files={},
                         feature_version=FEATURE_VERSION, made="2026-01-01"))
    return folder


@pytest.fixture(scope="module")
def base_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_base(tmp_path_factory.mktemp("models") / "plain-1")


def fill(
    season: Season, *, n_canes: int, per_cane: int = 8, lamp: float, start: int = 5,
    slips: float = 0.0, contradicted: int = 0, blind_every: int = 0,
) -> None:
    """Add canes with photographs, proposals with features, and calls."""
    rng = np.random.default_rng(start)
    n = n_canes * per_cane
    dead = (rng.random(n) < 0.45)
    values = feature_rows(rng, dead, lamp=lamp)
    with season.write() as conn:
        def add(table: str, **more: object) -> int:
            return rows.add_row(conn, table, more)

        site = add("site", name="Upper terrace", added_at=AT)
        block = add("block", site_id=site, name="Larch bench", added_at=AT)
        sampling = add("sampling", block_id=block, label="jan", added_at=AT)
        reader = add("person", name="Petra Quill", role="reviewer", added_at=AT)
        second = add("person", name="Odo Marsh", role="reviewer", added_at=AT)
        model = add("model", name="plain-1", sha256="b" * 64, path="plain-1", added_at=AT,
                    facts=json.dumps({"feature_version": FEATURE_VERSION}))
        for i in range(n):
            if i % per_cane == 0:
                cane = add("cane", sampling_id=sampling, label=str(i // per_cane + 1), added_at=AT)
            bud = add("bud", cane_id=cane, node=i % per_cane + 1, added_at=AT)
            photo = add("photo", sha256=f"{start:032x}{i:032x}", file_name=f"{i}.jpg",
                        format="JPEG", n_bytes=1, width_px=9, height_px=9, added_at=AT)
            add("assignment", photo_id=photo, bud_id=bud, cut=1, source="manifest", added_at=AT)
            proposal = add("proposal", photo_id=photo, model_id=model, found=True, added_at=AT)
            features = dict(zip(FEATURE_NAMES, values[i].tolist(), strict=True))
            add("proposal_tissue", proposal_id=proposal, tissue="primary", exposed=True,
                verdict="live", p_dead=0.2, features=json.dumps(features))
            called = bool(dead[i]) ^ (rng.random() < slips)
            add("call", bud_id=bud, tissue="primary", value="dead" if called else "live",
                person_id=reader, source="page", proposal_id=proposal, added_at=AT,
                blind=bool(blind_every and i % blind_every == 0))
            if i < contradicted:
                add("call", bud_id=bud, tissue="primary", value="live" if called else "dead",
                    person_id=second, round="second", source="page", added_at=AT)
