"""A cluster's proposals are those of one machine, byte for byte, also where workers are killed."""

from __future__ import annotations

import json
import logging
import os
import random
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from budvision.errors import UsageError
from budvision.settings import samples_folder
from budvision.verdict.batch import Answer, propose_many
from budvision.verdict.propose import proposal_as_dict

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
