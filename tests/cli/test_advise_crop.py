"""`budvision advise`, `budvision crop` and `budvision cold` as a person runs them."""

from __future__ import annotations

import json
import shlex

import pytest

from budvision.cli.main import run

ESTIMATE = 'crop estimate --row 9ft --vine 6ft --clusters "38 42" --cluster-weight 0.12lb --lag'
EXPECT = ('crop expect --nodes 54 --crop-share "0.75 +- 0.04" --clusters-a-shoot 1.8 '
          "--cluster-weight 120g --row 2.7m --vine 1.2m")
THIN = ("crop thin --target 4tons/acre --clusters 60 --cluster-weight 0.3lb --row 9ft --vine 8ft")


@pytest.fixture
def budvision(monkeypatch, capsys, tmp_path):
    """Run the command line in a folder with small tables; return exit code, stdout, stderr."""
    (tmp_path / "blocks.csv").write_text(
        "block,row,vine,clusters,cluster_weight\nEast,3m,1m,27,120g\n"
    )
    (tmp_path / "harvest.csv").write_text(
        "block,predicted,harvested,low,high\nEast,10,8,7,12\nWest,5,10,4,6\n"
    )
    (tmp_path / "station.csv").write_text(
        "time,temp\n2024-01-12 00:00,-10\n2024-01-12 01:00,-24\n2024-01-12 02:00,-10\n"
    )
    monkeypatch.chdir(tmp_path)

    def call(line):
        monkeypatch.setattr("sys.argv", ["budvision", *shlex.split(line)])
        code = 0
        try:
            run()
        except SystemExit as end:
            code = end.code or 0
        out = capsys.readouterr()
        return code, out.out, out.err

    return call


@pytest.mark.slow
@pytest.mark.parametrize(
    ("line", "words", "key"),
    [
        ("advise nodes --dead 35 --judged 100 --canes 10 --nodes-per-cane 10 --row 2.7m --vine 2m",
         ["common: Retain twice", "80 nodes a vine", "8 canes of 10", "a hectare",
          "likeness is assumed", "Razor blades"], "policies"),
        ("advise nodes --dead 30 --judged 100 --nodes-per-cane 10",
         ["54 nodes a vine (54 to 80); 5 canes of 10, which makes 50", "taken as independent",
          "too narrow unless you give --canes"], "policies"),
        ("advise nodes --dead 48 --judged 100 --canes 10",
         ["80 nodes a vine (54 or more)"],
         "policies"),
        ("advise nodes --dead 70 --judged 100",
         ["look for trunk injury", "no number here", "at the practical maximum"], "options"),
        ("advise normal --type vinifera --prunings 1.5lb --prunings 2lb --vine 6ft "
         "--nodes-per-cane 10", ["35 nodes a vine by 20 + 20 over 2 vines (30 to 40)",
                                 "24 to 36 nodes by vine spacing"], "balanced"),
        ('crop shoots --nodes 54 --alive "0.8 +- 0.05" --canopy 1.8m',
         ["39 shoots a vine", "above 9.8 to 16.4 a metre", "keep secondary shoots"],
         "shoots_per_m"),
        ("crop shoots --nodes 40 --alive 0.5 --canopy 6ft",
         ["3.0 a foot (1.7 to 5.4), within 3.0 to 5.0 a foot; the range reaches over an edge",
          "Take off 0.0 a foot for 5.0"], "shoots_per_m"),
        ("crop balance --prunings 3lb --yield 20lb --canopy 6ft",
         ["Yield to pruning weight: 6.67", "0.50 lb/ft, within 0.34 to 0.67"], "ravaz"),
        ("advise normal --type american --prunings 0.5lb --prunings 3lb",
         ["33 nodes a vine by 30 + 10 over 2 vines (15 to 50)"], "balanced"),
        ("advise nodes --dead 35 --judged 100 --canes 10 --normal-nodes 40",
         ["54 nodes a vine (no number at either end)"], "policies"),
        (EXPECT, ["t/ha", "tons an acre", "not 8 from 8.2"], "t_per_ha"),
        (ESTIMATE, ["3.9 tons an acre", "807 an acre", "times 2"], "tons_per_acre"),
        ("crop table blocks.csv", ["East: 10.8 t/ha"], "blocks"),
        (THIN, ["12.2 t/ha (5.4", "Keep 44.1 clusters a vine, take off 15.9 (26.5 %)", "36 %"],
         "keep"),
        ("crop balance --prunings 2kg --yield 15kg --canopy 2m",
         ["Yield to pruning weight: 7.50, within 4 to 10", "1.00 kg/m, within 0.5 to 1"], "ravaz"),
        ("crop compare harvest.csv", ["East: predicted 10, harvested 8, +25 %",
                                      "1 of 2 harvests"], "mean_error"),
        ("cold station.csv --unit C --zone America/Vancouver --below -20 --cultivar Riesling",
         ["Coldest -24.0 C (-11.2 F) at 2024-01-12T01:00:00-08:00", "-20.0 C", "0.6 h",
          "half of the buds of Riesling died at -23.2 C",
          "v coldest reading; 1, 5, 9: a tenth, half, nine tenths dead there",
          "Background only"], "hours_below"),
    ],
)
def test_answers(budvision, line, words, key):
    code, out, err = budvision(line)
    assert (code, err) == (0, "")
    flat = " ".join(out.split())
    for word in words:
        assert word in flat, (word, out)
    told = json.loads(budvision(line + " --json")[1])
    assert key in told


@pytest.mark.slow
@pytest.mark.parametrize(
    ("line", "code", "words"),
    [
        ("advise nodes --dead 5 --judged 4", 3, "count is 5 of 4"),
        ("advise nodes --dead 1 --judged 4 --row 9ft --vine 2m", 2, "units are mixed"),
        ("advise normal", 2, "neither prunings nor"),
        ("crop thin --target 4 --clusters 60 --cluster-weight 0.3lb --row 9ft --vine 8ft", 3,
         'target is "4"'),
        ("crop table none.csv", 3, "no such file"),
        ("crop compare blocks.csv", 3, "columns predicted, harvested are missing"),
        ("cold none.csv --unit C --zone UTC", 3, "no such file"),
        ("cold station.csv --unit K --zone UTC", 3, 'the unit is "K"'),
        ("cold station.csv --unit C --zone Nowhere", 3, "time zone"),
        ("cold station.csv --unit C --zone UTC --start 2025-01-01", 4, "holds nothing between"),
    ],
)
def test_refusals(budvision, line, code, words):
    got, out, err = budvision(line)
    assert (got, out) == (code, "")
    assert words in err
    told = json.loads(budvision(line + " --json")[1])
    assert told["ok"] is False


def test_cold_puts_published_lethal_temperatures_beside_the_record(budvision):
    code, out, _ = budvision("cold station.csv --unit C --zone UTC --cultivar marquette")
    assert code == 0
    assert ("half of the buds of Marquette died at -27.0 C (a tenth at -24.4 C, nine tenths at "
            "-27.7 C): 20 Jan 2022") in out
    assert "only cutting does" in out
    out = budvision("cold station.csv --unit C --zone UTC --cultivar nobody")[1]
    assert "No published values of nobody are known here; there are some of Alvarinho" in out
