"""A cluster's proposals are those of one machine, byte for byte, also where workers are killed."""

from __future__ import annotations

import json
import logging
import os
import random
import shutil
import signal
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from budvision.errors import UsageError
from budvision.learning.observe import FIRST_SEED, columns_of, observe_many
from budvision.settings import samples_folder
from budvision.store.queries import blocks, canes, people, photos, rows
from budvision.store.session import Season, now
from budvision.verdict.batch import Answer, propose_many
from budvision.verdict.cluster import cluster_many, local_cluster
from budvision.verdict.propose import proposal_as_dict
from budvision.verdict.registry import find_model
from budvision.workflow.learning.train import load_base, season_lessons

pytestmark = pytest.mark.slow


@pytest.fixture
def photographs(tmp_path: Path) -> list[Path]:
    """Nine photographs, one of them twice under another name, and one that is none."""
    folder = tmp_path / "cuts"
    folder.mkdir()
    found = sorted(samples_folder().rglob("*.jpg"))[:9]
    for path in found:
        shutil.copy(path, folder / path.name)
    shutil.copy(found[0], folder / "again.jpg")
    (folder / "broken.jpg").write_bytes(b"\xff\xd8 no photograph")
    return sorted(folder.iterdir())


@pytest.fixture
def dask_draws() -> Iterator[None]:
    """Put the global generator back: Dask, not budvision, draws from it."""
    state = random.getstate()
    yield
    random.setstate(state)


@pytest.fixture
def cluster(dask_draws: None) -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=4, threads_per_worker=1, processes=True, dashboard_address=None,
        silence_logs=logging.CRITICAL,
    ) as started:
        yield started


def _bytes(answers: list[Answer]) -> list[tuple[str, bytes | None]]:
    return [(json.dumps(proposal_as_dict(one.proposal)),
             None if one.mask is None else one.mask.read_bytes()) for one in answers]


@pytest.mark.filterwarnings("ignore")
def test_two_of_four_workers_are_killed_and_every_proposal_is_that_of_one_machine(
    photographs: list[Path], cluster: Any, tmp_path: Path
) -> None:
    from distributed import Client

    alone = _bytes(list(propose_many(photographs, masks=tmp_path / "alone", workers=2)))
    with Client(cluster, set_as_default=False) as client:
        first, second, *_ = client.run(os.getpid).values()
    answers: list[Answer] = []
    for answer in propose_many(
        photographs, masks=tmp_path / "many", cluster=cluster.scheduler_address
    ):
        answers.append(answer)
        if len(answers) in (2, 5):
            os.kill(first if len(answers) == 2 else second, signal.SIGKILL)
    assert [one.path for one in answers] == photographs
    assert not any(one.failed or one.trouble for one in answers)
    assert _bytes(answers) == alone
    assert sum(one.proposal.found for one in answers) > 5


@pytest.mark.filterwarnings("ignore")
def test_where_no_scheduler_answers_it_is_told_before_any_work(
    photographs: list[Path], dask_draws: None
) -> None:
    with pytest.raises(UsageError, match=r"no scheduler with a worker answers at tcp://127.0.0.1:9"):
        next(propose_many(photographs, cluster="tcp://127.0.0.1:9"))


@pytest.fixture(scope="module")
def one_worker() -> Iterator[str]:
    pytest.importorskip("distributed")
    state = random.getstate()
    with local_cluster(1) as started:
        yield started.scheduler_address
    random.setstate(state)


def halved(_folder: str, data: bytes, n: int) -> tuple[int, int]:
    """Take the place of a proposal; fails for odd numbers."""
    if n % 2:
        raise ValueError(f"{n} is odd")
    return n // 2, os.getppid()


@pytest.mark.filterwarnings("ignore")
def test_photographs_that_go_together_are_answered_each_for_itself(
    one_worker: str, dask_draws: None
) -> None:
    jobs = [(f"{n}.jpg", b"%d" % n, (n,)) for n in range(40)]
    found = list(cluster_many(halved, jobs, n=len(jobs), address=one_worker, model=find_model()))
    assert [one[0] for one in found[::2]] == list(range(20))
    assert [str(one) for one in found[1::2]] == [f"ValueError: {n} is odd" for n in range(1, 40, 2)]
    assert os.getpid() not in {one[1] for one in found[::2]}


def test_nothing_is_said_of_how_large_what_goes_out_is(
    one_worker: str, dask_draws: None, recwarn: pytest.WarningsRecorder
) -> None:
    warnings.simplefilter("always")
    jobs = [("large.png", bytes(11_000_000), (2,))]
    assert len(list(cluster_many(halved, jobs, n=1, address=one_worker, model=find_model()))) == 1
    assert not [one for one in recwarn if "large graph" in str(one.message)]


def called_season(folder: Path) -> Season:
    """Two photographs that nothing has measured, of a bud each whose primary is called."""
    season = Season.create(folder)
    with season.write() as conn:
        sampling = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Lark"), "s")
        cane = canes.ensure_cane(conn, sampling, "1")
        person = people.add_person(conn, "Ilse Brandl", "reviewer")
        for node, path in enumerate(sorted(samples_folder().glob("*.jpg"))[:2], 1):
            photo = photos.add_photo(
                conn, sha256=season.photos.add(path).sha256, file_name=path.name, format="JPEG",
                n_bytes=path.stat().st_size, width_px=1, height_px=1, camera="")
            bud = canes.ensure_bud(conn, cane, node)
            photos.assign(conn, photo.id, bud, 1, source="manifest")
            rows.add_row(conn, "call", {
                "bud_id": bud, "tissue": "primary", "value": "live" if node == 1 else "dead",
                "person_id": person.id, "source": "page", "added_at": now()})
    return season


@pytest.mark.filterwarnings("ignore")
def test_what_training_measures_on_a_cluster_is_what_this_machine_measures(
    one_worker: str, dask_draws: None, tmp_path: Path
) -> None:
    found = []
    for name, cluster in (("here", ""), ("there", one_worker)):
        with called_season(tmp_path / name) as season:
            base, entry = load_base(season, None)
            lessons, left = season_lessons(season, base=base, entry=entry, jobs=1, cluster=cluster)
            found.append([(one.bud, one.value, one.row.tobytes(), one.base_logit)
                          for one in lessons])
            assert not left
    assert len(found[0]) == 2
    assert found[0] == found[1]


@pytest.mark.filterwarnings("ignore")
def test_what_a_model_is_measured_on_is_drawn_and_seen_alike_on_a_cluster(
    one_worker: str, dask_draws: None
) -> None:
    model = find_model()
    seeds = range(FIRST_SEED + 900_000_000, FIRST_SEED + 900_000_003)
    here, there = (columns_of(list(observe_many(
        seeds, folder=model.folder, workers=1, cluster=cluster))) for cluster in ("", one_worker))
    assert len(here["usable"]) == 3
    assert here.keys() == there.keys()
    for name in here:
        np.testing.assert_array_equal(here[name], there[name], name)
