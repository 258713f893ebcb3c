"""A season with a row in every table, and a way to compare all rows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Connection, insert, inspect, text

from budvision.store.queries import (
    blocks,
    calls,
    canes,
    marks,
    models,
    people,
    photos,
    proposals,
    trust,
    undoing,
    wood,
)
from budvision.store.queries.review import set_bookmark, take_lease
from budvision.store.session import Season, now
from budvision.store.tables import crop_record, metadata, temperature
from budvision.vineyard.wood import WoodCut
from budvision.vocabulary import CallValue, Cause, Proposal, Reason, Tissue, TissueProposal, Verdict

Fill = Callable[[Season], None]
RowsOf = Callable[[Connection], dict[str, list[dict[str, Any]]]]


@pytest.fixture
def fill() -> Fill:
    """Return a function that puts at least one row into every table."""

    def put(season: Season) -> None:
        with season.write() as conn:
            site = blocks.ensure_site(conn, "Invented Bench")
            block = blocks.ensure_block(conn, "Creek Terrace", site_id=site, cultivar="Riesling")
            blocks.update_block(conn, block, normal_nodes=40.0, layout={"rows": 12})
            sampling = blocks.ensure_sampling(conn, block, "feb")
            cane = canes.ensure_cane(conn, sampling, "1", vine="v7", vigor="medium")
            bud = canes.ensure_bud(conn, cane, 1)
            one = people.ensure_person(conn, "Maren Holt")
            two = people.ensure_person(conn, "Ivo Lund")
            photo = photos.add_photo(
                conn, sha256="a" * 64, file_name="c1.jpg", format="JPEG", n_bytes=9, width_px=900,
                height_px=700, camera="Lens Works Field 3")
            photos.assign(conn, photo.id, bud, 1, source="manifest", person_id=one.id)
            model = models.ensure_model(conn, "bench-1.0", "b" * 64, "bench-1.0", facts={"n": 1})
            models.promote(conn, model, person_id=one.id, reason="the only one")
            region = proposals.save_region(
                conn, photo.id, np.eye(8, dtype=np.uint8), (0, 0, 400, 400), model_id=model)
            said = Proposal(
                file="c1.jpg", sha256="a" * 64, width_px=900, height_px=700, found=True, reasons=(
                    Reason("tertiary_not_exposed", "Cut."),
                    Reason("glare", "Look.", look=True, place=(1.0, 2.0, 30.5, 40.0))),
                mm_per_px=0.01,
                model="bench-1.0", tissues={Tissue.PRIMARY: TissueProposal(
                    exposed=True, verdict=Verdict.DEAD, p_dead=0.97, area_px=512,
                    centre=(10.5, 20.25), why="82 % is brown", features={"lab_b": 1.5}),
                    Tissue.TERTIARY: TissueProposal(exposed=False)})
            proposal = proposals.save_proposal(conn, photo.id, model, said, region_id=region)
            calls.save_calls(
                conn, bud, {Tissue.PRIMARY: calls.NewCall(CallValue.DEAD, cause=Cause.MITES,
                                                          proposal_id=proposal),
                            Tissue.SECONDARY: CallValue.LIVE}, person_id=one.id)
            batch = calls.save_calls(conn, bud, {Tissue.PRIMARY: CallValue.LIVE}, person_id=two.id)
            undoing.undo(conn, batch, person_id=two.id)
            marks.set_mark(conn, bud, "skipped", "yes", person_id=one.id)
            take_lease(conn, bud, one)
            set_bookmark(conn, one.id, "review", {"bud": bud})
            conn.execute(insert(crop_record).values(
                block_id=block, kind="clusters_per_vine", value=44.0, unit="1", n_counted=12,
                measured_on="2026-07-01", added_at=now()))
            trust.add_trust(conn, trust.Subject("season"), "shown", person_id=one.id,
                            reason="it agreed", facts={"n_buds": 30})
            trust.add_trust(conn, trust.Subject("light", "", sampling), "again", reason="moved")
            wood.add_wood_cut(
                conn, block, WoodCut(part="trunk", vine="v7", position="30 cm above ground",
                                     phloem=CallValue.DEAD, cambium=CallValue.LIVE),
                cut_on="2026-02-03", person_id=one.id)
            conn.execute(insert(temperature).values(
                station="shed", measured_at=now(), celsius=-23.5))

    return put


@pytest.fixture
def rows_of() -> RowsOf:
    """Return a function that reads every row of every table there is, by its columns' names.

    `seal`, the points of `chain` and the counts are about rows and begin anew with another form;
    jobs and backups are of the moment.
    """

    def read(conn: Connection) -> dict[str, list[dict[str, Any]]]:
        there = set(inspect(conn).get_table_names())
        return {
            table.name: [dict(row._mapping) for row in conn.execute(
                text(f'SELECT * FROM "{table.name}" ORDER BY id'))]
            for table in metadata.sorted_tables
            if table.name in there and table.name not in (
                "backup", "chain", "job", "remembered", "seal", "sampling_count")
        }

    return read
