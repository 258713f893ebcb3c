"""Which photographs the model should look at anew."""

from __future__ import annotations

import os
import time
from pathlib import Path

from budvision.store.queries import blocks, canes, models, photos, proposals
from budvision.store.session import Season
from budvision.vocabulary import Proposal, Tissue, TissueProposal, Verdict
from budvision.workflow.intake.propose import model_in_use
from budvision.workflow.learning.anew import count_out_of_step


def test_names_doubted_before_the_side_was_set_are_looked_at_again(tmp_path: Path) -> None:
    folder = tmp_path / "winter"
    with Season.create(folder) as season:
        used = model_in_use(season)
        with season.write() as conn:
            model = models.ensure_model(conn, used.label, used.sha256, used.path, facts=used.facts)
            sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Lark"), "s")
            cane = canes.ensure_cane(conn, sampling, "1")
            for node, other in ((1, Tissue.TERTIARY), (2, None)):
                photo = photos.add_photo(
                    conn, sha256=str(node) * 64, file_name=f"{node}.jpg", format="JPEG", n_bytes=9,
                    width_px=900, height_px=700, camera="")
                photos.assign(conn, photo.id, canes.ensure_bud(conn, cane, node), 1,
                              source="manifest")
                flanker = TissueProposal(exposed=True, verdict=Verdict.LIVE, p_dead=0.1, area_px=9,
                                         centre=(1.0, 1.0), why="green", features={},
                                         p_name=0.6 if other else 0.99, other_name=other)
                proposals.save_proposal(conn, photo.id, model, Proposal(
                    file=f"{node}.jpg", sha256=str(node) * 64, width_px=900, height_px=700,
                    found=True, reasons=(), mm_per_px=None, model=used.label,
                    tissues={Tissue.SECONDARY: flanker}))
        assert count_out_of_step(season) == 0           # nobody has said where the base lies
    config = folder / "budvision.toml"
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace('cane_base = "unknown"', "") + '\n[settings]\ncane_base = "left"'
                      if "[settings]" not in text else
                      text.replace("[settings]", '[settings]\ncane_base = "left"'),
                      encoding="utf-8")
    later = time.time() + 5
    os.utime(config, (later, later))
    with Season.open(folder) as season:
        assert count_out_of_step(season) == 1
    earlier = later - 3600
    os.utime(config, (earlier, earlier))                # the proposals were made after it
    with Season.open(folder) as season:
        assert count_out_of_step(season) == 0
