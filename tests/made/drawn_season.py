"""A small season with drawn photographs and made-up proposals, for the tests of pages."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from budvision.store.queries import blocks, canes, models, photos, proposals
from budvision.store.session import Season
from budvision.vocabulary import Proposal, Reason, Tissue, TissueProposal, Verdict

SIDE = 900
PLACES = {Tissue.PRIMARY: (450, 470, 95), Tissue.SECONDARY: (470, 300, 60),
          Tissue.TERTIARY: (440, 620, 36)}


@dataclass(frozen=True)
class DrawnBud:
    """What was drawn: the truth of each tissue, and what the proposal says."""

    bud_id: int
    photo_ids: tuple[int, ...]
    truth: dict[Tissue, str]
    proposed: dict[Tissue, str]


def draw_cut(
    rng: np.random.Generator, dead: dict[Tissue, bool], hidden: set[Tissue], side: int = SIDE
) -> tuple[np.ndarray, np.ndarray]:
    """Draw one cut face and its labels, upright, RGB."""
    scale = side / SIDE
    image = np.full((side, side, 3), (196, 190, 180), np.uint8)
    labels = np.zeros((side, side), np.uint8)

    def oval(
        target: np.ndarray, row: float, col: float, a: float, b: float, colour: object
    ) -> None:
        cv2.ellipse(target, (round(col * scale), round(row * scale)),
                    (round(a * scale), round(b * scale)), 0, 0, 360, colour, -1)

    oval(image, 452, 460, 300, 240, (120, 88, 58))
    oval(image, 452, 460, 275, 215, (214, 196, 160))
    oval(labels, 452, 460, 300, 240, 4)
    for tissue, (row, col, radius) in PLACES.items():
        if tissue in hidden:
            continue
        row, col = row + rng.normal(0, 6), col + rng.normal(0, 6)
        colour = (104, 70, 42) if dead[tissue] else (120, 158, 72)
        rim = (64, 42, 26) if dead[tissue] else (86, 126, 50)
        oval(image, row, col, radius, radius * 1.12, rim)
        oval(image, row, col, radius * 0.85, radius * 0.95, colour)
        for ring in (0.65, 0.45, 0.25):
            oval(image, row, col, radius * ring, radius * ring,
                 tuple(min(255, round(v * (1.25 - ring * 0.4))) for v in colour))
        oval(labels, row, col, radius, radius * 1.12, tissue.label)
    grain = rng.normal(0, 5, image.shape)
    return np.clip(image + grain, 0, 255).astype(np.uint8), labels


def make_season(
    folder: Path, *, n_buds: int = 12, n_canes: int = 3, seed: int = 4, side: int = SIDE,
    two_cuts_every: int = 4, blind: float = 0.0, second: float = 0.1, trial: int = 0,
    database_url: str | None = None,
) -> tuple[Season, list[DrawnBud]]:
    """Make a season of one block; every fourth bud has two cuts, the deeper shows the tertiary."""
    Season.create(folder, database_url=database_url).close()
    text = (folder / "budvision.toml").read_text(encoding="utf-8")
    text = text.replace("[settings]\n",
                        f"[settings]\nblind_share = {blind}\ntrial_buds = {trial}\n"
                        f"second_read_share = {second}\n", 1)
    (folder / "budvision.toml").write_text(text, encoding="utf-8")
    season = Season.open(folder)
    rng = np.random.default_rng(seed)
    drawn: list[DrawnBud] = []
    with season.write() as conn:
        block_id = blocks.ensure_block(conn, "Kestrel bench", cultivar="Kestrel")
        sampling_id = blocks.ensure_sampling(conn, block_id, "after the cold night")
        model_id = models.ensure_model(conn, "drawn-1", "d" * 64, "models/drawn-1")
        per_cane = -(-n_buds // n_canes)
        for number in range(n_buds):
            cane = canes.ensure_cane(conn, sampling_id, str(number // per_cane + 1))
            bud_id = canes.ensure_bud(conn, cane, number % per_cane + 1)
            dead = {tissue: bool(rng.random() < share) for tissue, share in
                    ((Tissue.PRIMARY, 0.4), (Tissue.SECONDARY, 0.2), (Tissue.TERTIARY, 0.1))}
            two = two_cuts_every > 0 and number % two_cuts_every == 1
            bare = not two and number % 3 == 2
            cuts = [{Tissue.TERTIARY}, set()] if two else [{Tissue.TERTIARY} if bare else set()]
            said: dict[Tissue, str] = {}
            ids = []
            for index, hidden in enumerate(cuts):
                image, labels = draw_cut(rng, dead, hidden, side)
                data = cv2.imencode(".jpg", image[..., ::-1])[1].tobytes()
                added = season.photos.add(data)
                photo = photos.add_photo(
                    conn, sha256=added.sha256, file_name=f"bud{number + 1}_cut{index + 1}.jpg",
                    format="JPEG", n_bytes=len(data), width_px=side, height_px=side)
                photos.assign(conn, photo.id, bud_id, index + 1, source="manifest")
                ids.append(photo.id)
                edge = round(side * 0.08)
                box = (edge, edge, side - edge, side - edge)
                small = cv2.resize(labels[edge:side - edge, edge:side - edge], (256, 256),
                                   interpolation=cv2.INTER_NEAREST)
                region = proposals.save_region(conn, photo.id, small, box, model_id=model_id)
                tissues = {}
                for tissue in Tissue:
                    if tissue in hidden:
                        tissues[tissue] = TissueProposal(exposed=False)
                        said.setdefault(tissue, "not_exposed")
                        continue
                    wrong = number % 10 == 7 and tissue is Tissue.SECONDARY
                    unsure = number % 10 == 3 and tissue is Tissue.PRIMARY
                    is_dead = dead[tissue] != wrong
                    p = 0.55 if unsure else (0.97 if is_dead else 0.04)
                    verdict = Verdict.UNSURE if unsure else (
                        Verdict.DEAD if is_dead else Verdict.LIVE)
                    area = int((small == tissue.label).sum() * (box[2] - box[0]) ** 2 / 256**2)
                    tissues[tissue] = TissueProposal(
                        exposed=True, verdict=verdict, p_dead=p, area_px=area,
                        centre=(PLACES[tissue][0] * side / SIDE, PLACES[tissue][1] * side / SIDE),
                        why="82 % of the inner half is brown" if is_dead
                        else "green to the growing point; 4 % is brown",
                        features={"brown_share": p + float(rng.normal(0, 0.02)),
                                  "light": float(rng.normal())})
                    said[tissue] = verdict.value
                reasons = tuple(Reason(f"{t}_not_exposed", f"The {t} is not exposed. Cut deeper if "
                                       "it is needed.") for t in hidden)
                proposals.save_proposal(conn, photo.id, model_id, Proposal(
                    file="x", sha256=added.sha256, width_px=side, height_px=side, found=True,
                    reasons=reasons, mm_per_px=8.0 / (600 * side / SIDE), model="drawn-1",
                    tissues=tissues), region_id=region)
            truth = {t: "not_exposed" if bare and t is Tissue.TERTIARY
                     else ("dead" if dead[t] else "live") for t in Tissue}
            drawn.append(DrawnBud(bud_id, tuple(ids), truth, said))
    return season, drawn
