"""A small season with everything in it, and the verbs that are killed on it."""

from __future__ import annotations

import contextlib
import http.client
import importlib
import io
import json
import os
import re
import select
import shutil
import sys
import urllib.parse
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image
from sqlalchemy import text

from budvision.store import migrations
from budvision.store.queries import rows
from budvision.store.session import Season
from budvision.verdict.registry import ModelEntry, add_model, list_models, verify_model
from budvision.vocabulary import TISSUES, Proposal, Tissue, TissueProposal, Verdict
from budvision.web.serving import serve_season
from budvision.workflow.archive.backup import backup
from budvision.workflow.archive.export import export_archive
from budvision.workflow.archive.merge import import_archive
from budvision.workflow.archive.move import move
from budvision.workflow.archive.restore import restore
from budvision.workflow.intake.intake import intake
from budvision.workflow.intake.propose import ModelInUse, propose_waiting
from budvision.workflow.learning.train import train
from budvision.workflow.review.calls_table import import_calls
from budvision.workflow.season.check import check

PLACES = "SELECT COUNT(DISTINCT photo_id) FROM assignment WHERE bud_id IS NOT NULL"
POLICY = """\
[ours]
title = "Ours"
source = "invented for a test"
[[ours.bands]]
name = "all"
at_least = 0.0
up_to = 1.0
nodes = "times"
factor = 1.1
action = "Retain a tenth more."
"""


sys.path.insert(0, str(Path(__file__).parents[1] / "made"))
training = importlib.import_module("taught")


def look(data: bytes, name: str) -> tuple[Proposal, np.ndarray]:
    """Stand in for a model: what it says depends on the photograph alone."""
    labels = np.zeros((480, 640), np.uint8)
    labels[100:300, 200:420] = 4
    labels[150:250, 250:330] = Tissue.PRIMARY.label
    verdict = (Verdict.DEAD, Verdict.LIVE)[len(data) % 2]
    tissues = {t: TissueProposal(exposed=t is Tissue.PRIMARY) for t in TISSUES}
    tissues[Tissue.PRIMARY] = TissueProposal(
        exposed=True, verdict=verdict, p_dead=0.97 if verdict is Verdict.DEAD else 0.05,
        area_px=8000, centre=(199.5, 289.5), why="drawn", features={"brown_share": 0.5})
    return Proposal(file=name, sha256="", width_px=640, height_px=480, found=True, reasons=(),
                    mm_per_px=0.01, model="try", tissues=tissues), labels


def _card(folder: Path, first: int, n: int) -> None:
    """Put photographs on a card, with a manifest and a paper tally."""
    folder.mkdir()
    lines, tally = ["file,block,cane,node,cut"], ["block,cane,node,primary,secondary,tertiary"]
    for i in range(first, first + n):
        pixels = np.random.default_rng(i).integers(0, 255, (480, 640, 3), np.uint8)
        buffer = io.BytesIO()
        Image.fromarray(pixels).save(buffer, "JPEG", quality=20)
        (folder / f"p{i}.jpg").write_bytes(buffer.getvalue())
        lines.append(f"p{i}.jpg,Larch,{i // 5 + 1},{i % 5 + 1},1")
        tally.append(f"Larch,{i // 5 + 1},{i % 5 + 1},{('live', 'dead')[i % 3 == 0]},live,")
    (folder / "manifest.csv").write_text("\n".join(lines) + "\n")
    (folder / "calls.csv").write_text("\n".join(tally) + "\n")


def model_of(number: int) -> ModelInUse:
    """Return the model that proposes in one trial; each photograph waits for it anew."""
    return ModelInUse(f"trial-{number}", f"{number:064x}", f"trial-{number}")


@dataclass(frozen=True, kw_only=True)
class Verb:
    """What is killed: the deed, the season it works on, and what it must leave behind."""

    deed: Callable[[], None]
    folder: Path
    fresh: Callable[[], None] = lambda: None
    meanwhile: Callable[[Callable[[], None]], None] = lambda begin: begin()
    """What others do while the deed goes on; it calls `begin` when the time to kill begins."""
    lasts: bool = False
    """Whether the deed goes on until it is told to end, as a server does."""
    proof: Callable[[bool], None] = lambda _: None
    """Say by an assertion what is wrong; told whether the deed came to its end."""


class Stand:
    """A season, its backup, its archive and a model, and the verbs."""

    def __init__(self, base: Path) -> None:
        self.base, self.folder, self.desk = base, base / "season", base / "desk"
        self.backups, self.bag = base / "backup", base / "bag"
        self.n = self.n_cards = 0
        self.door = os.pipe()
        self.saved: list[str] = []
        _card(base / "card", 0, 10)
        self.card = "card"
        self.plain = training.make_base(base / "plain" / "plain-1")
        with Season.create(base / "lessons") as season:
            training.fill(season, n_canes=4, per_cane=6, lamp=-0.4)
            train(season, base=self.plain)
        with Season.create(self.folder) as season:
            self._fill(season)
        with Season.open(self.folder) as season:
            backup(season, self.backups)
            export_archive(season, self.bag, whole=True)
        shutil.copytree(self.folder, self.desk)
        on = self._on
        self.verbs = {
            "intake": Verb(deed=lambda: on(lambda s: self.take(s, self.card)), folder=self.folder,
                           fresh=self._new_card),
            "propose": Verb(deed=self.propose, folder=self.folder, fresh=self._next,
                            proof=self._proposed),
            "save": Verb(deed=self.serve, folder=self.desk, fresh=self._next,
                         meanwhile=self.save_all, lasts=True, proof=self._kept),
            "import calls": Verb(deed=lambda: on(lambda s: self.tally(s, self.card)),
                                 folder=self.folder),
            "train": Verb(deed=self.train, folder=base / "lessons", proof=self._trained),
            "export": Verb(deed=lambda: on(lambda s: export_archive(s, self.bag, whole=True)),
                           folder=self.folder),
            "backup": Verb(deed=lambda: on(lambda s: backup(s, self.backups, keep=3)),
                           folder=self.folder),
            "restore": Verb(deed=self.restore, folder=base / "restored", fresh=self._new),
            "import archive": Verb(deed=self.bring, folder=base / "brought", fresh=self._new),
            "move": Verb(deed=lambda: on(lambda s: move(s, base / "moved")), folder=self.folder,
                         fresh=self._new, proof=self._moved),
            "migration": Verb(deed=self.migrate, folder=base / "older", fresh=self._older),
        }

    def _fill(self, season: Season) -> None:
        config = season.folder / "budvision.toml"
        config.write_text(config.read_text().replace(
            "[settings]\n", '[settings]\nnormal_nodes = 36\npolicy = "ours"\n'))
        (season.folder / "policies.toml").write_text(POLICY)
        self.take(season, "card")
        propose_waiting(season, look=look, used=model_of(0))
        self.tally(season, "card")
        model = list_models(self.base / "lessons" / "models")[0]
        shutil.copytree(model.folder, season.models_folder / "tuned-1")
        add_model(ModelEntry(
            name="tuned", version="1", folder=season.models_folder / "tuned-1", files={},
            feature_version=model.feature_version, made="2026-01-01"))

    def _on(self, deed: Callable[[Season], object]) -> None:
        with Season.open(self.folder) as season:
            deed(season)

    def _next(self) -> None:
        self.n += 1
        self.saved = []

    def _new_card(self) -> None:
        first = 10 + 4 * self.n_cards
        self.n_cards += 1
        self.card = f"card-{first}"
        _card(self.base / self.card, first, 4)

    def _new(self) -> None:
        for name in ("restored", ".restored.restore", "brought", "moved"):
            shutil.rmtree(self.base / name, ignore_errors=True)

    # ---- the verbs ---------------------------------------------------------------------------

    def take(self, season: Season, card: str) -> None:
        intake(season, [self.base / card], sampling="jan",
               manifest=self.base / card / "manifest.csv")

    def tally(self, season: Season, card: str) -> None:
        import_calls(season, self.base / card / "calls.csv", reviewer="Ida Fenn", sampling="jan")

    def propose(self) -> None:
        self._on(lambda season: propose_waiting(season, look=look, used=model_of(self.n)))

    def train(self) -> None:
        with Season.open(self.base / "lessons") as season:
            train(season, base=self.plain)

    def restore(self) -> None:
        if not (self.base / "restored").exists():
            restore(self.backups, self.base / "restored")

    def bring(self) -> None:
        target = self.base / "brought"
        if not (target / "budvision.toml").exists():
            Season.create(target).close()
        with Season.open(target) as season:
            import_archive(season, self.bag)

    def migrate(self) -> None:
        """Open a season of an older form, which brings it up to date."""
        Season.open(self.base / "older").close()

    def _older(self) -> None:
        shutil.rmtree(self.base / "older", ignore_errors=True)
        shutil.copytree(self.folder, self.base / "older")
        with Season.open(self.base / "older") as season, season.write() as conn:
            migrations.downgrade(conn, "0003")
        (self.base / "older" / "written").unlink(missing_ok=True)

    # ---- saving, as a browser does it --------------------------------------------------------

    def serve(self) -> None:
        serve_season(self.desk, port=0,
                     ready=lambda address: self.tell(address.encode() + b"\n"))

    def tell(self, line: bytes) -> None:
        os.write(self.door[1], line)

    def hear(self) -> str:
        line = b""
        while not line.endswith(b"\n"):
            assert select.select([self.door[0]], [], [], 60)[0], "the server did not begin"
            line += os.read(self.door[0], 1)
        return line.decode().strip()

    def save_all(self, begin: Callable[[], None]) -> None:
        """Save a call of each bud over HTTP until the server is gone; the rest is sent again."""
        place, cookie = urllib.parse.urlsplit(self.hear()).netloc, ""
        self.saved = []
        begin()
        with contextlib.closing(http.client.HTTPConnection(place, timeout=60)) as there:
            def ask(method: str, path: str, body: str, kind: str, **more: str) -> tuple[int, str]:
                nonlocal cookie
                there.request(method, path, body, {
                    "Cookie": cookie, "Content-Type": kind, "Origin": f"http://{place}",
                    "Referer": f"http://{place}/", **more})
                answer = there.getresponse()
                said = answer.read().decode()
                got = [c.split(";")[0] for c in answer.headers.get_all("Set-Cookie") or []]
                cookie = "; ".join(got) or cookie
                return answer.status, said

            form = "application/x-www-form-urlencoded"

            def token() -> str:
                page = ask("GET", "/me", "", form)[1]
                return re.search(r'name="csrf-token" content="([^"]+)"', page)[1]

            try:
                ask("POST", "/me", urllib.parse.urlencode(
                    {"csrf_token": token(), "name": "Ada Moreau", "next": "/me"}), form)
                proof = token()
                for bud in range(1, 11):
                    value = ("live", "dead")[(bud + self.n) % 2]
                    calls = {"calls": {tissue.value: {"value": value} for tissue in TISSUES},
                             "batch": self.batch(bud)}
                    code, said = ask("POST", f"/review/bud/{bud}/calls?reading=second",
                                     json.dumps(calls), "application/json",
                                     **{"X-CSRFToken": proof})
                    assert code == 200, (code, said[:300])
                    self.saved.append(self.batch(bud))
            except (OSError, http.client.HTTPException):
                pass

    def batch(self, bud: int) -> str:
        """Return what names a save, the same when it is sent again."""
        return f"{self.n:016x}{bud:016x}"

    # ---- proofs ------------------------------------------------------------------------------

    def _proposed(self, ended: bool) -> None:
        with Season.open(self.folder) as season, season.read() as conn:
            n, different = conn.execute(text(
                "SELECT COUNT(*), COUNT(DISTINCT photo_id) FROM proposal JOIN model ON "
                "model.id = model_id WHERE name = :name"), {"name": model_of(self.n).label}).one()
            places = conn.scalar(text(PLACES))
        assert n == different, "a photograph was proposed for twice"
        assert not ended or n == places, (n, places, "a photograph was passed over")

    def _kept(self, ended: bool) -> None:
        with Season.open(self.desk) as season, season.read() as conn:
            kept = [(row["batch"], row["tissue"]) for row in rows.stream(conn, "call")
                    if str(row["batch"]).startswith(f"{self.n:016x}")]
        assert len(kept) == len(set(kept)), "a call was saved twice"
        for batch in {*self.saved, *(one for one, _ in kept)}:
            assert sum(batch == one for one, _ in kept) == len(TISSUES), (
                "a call that was acknowledged is gone, or a save was cut in two")
        assert not ended or len(kept) == 10 * len(TISSUES), (len(kept), "a call was not saved")

    def _moved(self, ended: bool) -> None:
        if ended:
            with Season.open(self.base / "moved") as moved, Season.open(self.folder) as season:
                assert not [one for one in check(moved).findings if one.serious]
                with moved.read() as new, season.read() as old:
                    for table in rows.ARCHIVED:
                        assert list(rows.stream(new, table)) == list(rows.stream(old, table)), table

    def _trained(self, ended: bool) -> None:
        home = self.base / "lessons" / "models"
        for entry in list_models(home):  # what is listed is whole
            verify_model(entry)
        if ended:
            assert not list(home.glob(".*")), "what a killed training began is still there"
