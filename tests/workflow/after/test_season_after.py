"""The season after: published arithmetic end to end, entry that refuses, the loop closed."""

from __future__ import annotations

from pathlib import Path

import pytest
from scipy.special import stdtr

from budvision.errors import InputError, NotFoundError, NothingToDoError
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.vineyard.units import tons_per_acre
from budvision.vocabulary import TISSUES, CallValue
from budvision.web import create_app
from budvision.workflow.after.records import KINDS, add_record, import_records, newest, records
from budvision.workflow.after.season_after import forecast_of_season, season_after

L, D = CallValue.LIVE, CallValue.DEAD


@pytest.fixture
def season(tmp_path: Path) -> Season:
    season = Season.create(tmp_path / "winter")
    with season.write() as conn:
        blocks.ensure_block(conn, "Kettle Bench")
    yield season
    season.close()


def keep(season: Season, kind: str, values: str, unit: str = "", *, on: str = "2026-07-01",
         block: str = "Kettle Bench") -> None:
    add_record(season, block, kind, values, unit=unit, measured_on=on, person_id=None)


def call_buds(season: Season, n_live: int, n_second: int, n_blind: int) -> None:
    """One bud a cane: live primary; dead primary with live secondary; neither."""
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Kettle Bench")
        blocks.update_block(conn, block, secondary_crop=0.35, normal_nodes=40.0)
        sampling = blocks.ensure_sampling(conn, block, "first", collected_at="2026-01-20T08:00:00Z")
        reader = people.ensure_person(conn, "Ada Quill").id
        kinds = [(L, L)] * n_live + [(D, L)] * n_second + [(D, D)] * n_blind
        for number, (first, second) in enumerate(kinds):
            cane = canes.ensure_cane(conn, sampling, str(number))
            bud = canes.ensure_bud(conn, cane, 1)
            calls.save_calls(conn, bud, dict(zip(TISSUES, (first, second, L), strict=True)),
                             person_id=reader)


def test_the_published_estimate_comes_out_of_the_records(season: Season) -> None:
    """605 vines an acre x 60 clusters x 0.30 lb / 2000 = 5.445 tons an acre (I. Dami's formula;
    8 x 9 ft, 605 vines: wine-grape-growing.com ch. 30); 44.08 clusters to keep for 4 tons."""
    keep(season, "vines", "605", "per acre")
    keep(season, "clusters_per_vine", "60")
    keep(season, "cluster_weight_harvest", "0.30", "lb")
    keep(season, "target", "4", "tons/acre")
    after = season_after(season, "Kettle Bench")
    assert tons_per_acre(after.crop_from_clusters.value) == pytest.approx(5.445, abs=5e-4)
    assert after.thinning.keep == pytest.approx(44.08, abs=0.005)
    assert after.thinning.remove == pytest.approx(15.9, abs=0.05)
    assert after.thinning.remove_share == pytest.approx(0.265, abs=5e-4)
    assert "36 %" in after.thinning.warning


def test_what_few_values_leave_out_of_a_range_is_said(season: Season) -> None:
    """Plus and minus 1.96 standard errors of two, five and ten values, by Student's t."""
    held = [round(100 * (1 - 2 * stdtr(n - 1, -1.959964))) for n in (2, 5, 10)]
    assert held == [70, 88, 92]
    web = create_app(season.folder, testing=True)
    page = " ".join(web.test_client().get("/results/block/1/season-after").text.split())
    web.extensions["budvision.season"].close()
    assert ("a 95 % range from two values holds the truth in 70 of 100 cases, from five in 88, "
            "from ten in 92.") in page


def test_lag_weights_double_unless_a_factor_is_recorded(season: Season) -> None:
    """Cluster weight at lag phase is about half of harvest weight (W. Wolfe, Good Fruit Grower)."""
    keep(season, "vines", "2000", "per ha")
    keep(season, "clusters_per_vine", "40")
    keep(season, "cluster_weight_lag", "60", "g")
    after = season_after(season, "Kettle Bench")
    assert after.growth_assumed
    assert after.crop_from_clusters.value == pytest.approx(2000 * 40 * 0.12 / 1000)
    assert after.crop_from_clusters.interval.high > 1.2 * after.crop_from_clusters.value
    keep(season, "growth_factor", "1.8")
    after = season_after(season, "Kettle Bench")
    assert not after.growth_assumed
    assert after.crop_from_clusters.value == pytest.approx(2000 * 40 * 0.108 / 1000)
    keep(season, "cluster_weight_harvest", "130", "g")
    assert season_after(season, "Kettle Bench").crop_from_clusters.value == pytest.approx(10.4)


@pytest.mark.slow
def test_crop_from_nodes_takes_howells_weights(season: Season) -> None:
    """60 live, 30 with a live secondary at 0.35, 10 blind: 70.5 % of a full crop (G. S. Howell)."""
    call_buds(season, 60, 30, 10)
    for kind, value, unit in (("retained_nodes", "50", ""), ("clusters_per_shoot", "2", ""),
                              ("cluster_weight_harvest", "100", "g"), ("vines", "2000", "per ha")):
        keep(season, kind, value, unit)
    after = season_after(season, "Kettle Bench")
    # 50 nodes x 0.705 x 0.9 that break (routine allowance of 10 %) x 2 x 0.1 kg x 2000 vines.
    assert after.crop_from_nodes.value == pytest.approx(50 * 0.705 * 0.9 * 2 * 0.1 * 2)
    assert after.shoots_a_vine.value == pytest.approx(50 * 0.9 * 0.9)
    assert after.crop_from_nodes.interval.low < after.crop_from_nodes.value
    assert after.nodes_recorded


@pytest.mark.slow
def test_without_a_pruning_record_the_winters_advice_stands_in(season: Season) -> None:
    call_buds(season, 60, 30, 10)
    after = season_after(season, "Kettle Bench")
    assert (after.nodes, after.nodes_recorded) == (80.0, False)  # 40 % dead: twice 40 nodes
    assert after.missing["crop_from_nodes"] == ("clusters_per_shoot", "cluster_weight", "vines")


def zoned(season: Season) -> None:
    """A fifth of the vines 80 % dead, the rest 10 %, ten canes of each; no secondary lives."""
    with season.write() as conn:
        block = blocks.ensure_block(conn, "Kettle Bench")
        blocks.update_block(conn, block, secondary_crop=0.35, normal_nodes=40.0, layout={
            "block": "Kettle Bench", "shares": {}, "rows": [
                {"label": zone, "n_vines": n, "zone": zone, "missing": []}
                for zone, n in (("hollow", 100), ("rise", 400))]})
        sampling = blocks.ensure_sampling(conn, block, "first", collected_at="2026-01-20T08:00:00Z")
        for number in range(20):
            zone, n_dead = ("hollow", 8) if number < 10 else ("rise", 1)
            cane = canes.ensure_cane(conn, sampling, str(number), zone=zone)
            for node in range(1, 11):
                first = D if node <= n_dead else L
                calls.save_calls(conn, canes.ensure_bud(conn, cane, node),
                                 dict(zip(TISSUES, (first, first, L), strict=True)),
                                 person_id=people.ensure_person(conn, "Ada Quill").id)


@pytest.mark.slow
def test_zones_weigh_shoots_as_they_weigh_the_winters_answer(season: Season) -> None:
    """0.2 x 20 % + 0.8 x 90 % = 76 % of the nodes live; 55 % of those cut, half in the hollow."""
    zoned(season)
    after = season_after(season, "Kettle Bench")
    assert after.nodes is None      # the answer advises each zone by itself
    assert after.missing["shoots"] == ("retained_nodes",)
    keep(season, "retained_nodes", "50")
    after = season_after(season, "Kettle Bench")
    assert after.shoots_a_vine.value == pytest.approx(50 * 0.76 * 0.9)


def test_where_all_is_dead_a_live_bud_is_missing_and_not_the_calls(season: Season) -> None:
    call_buds(season, 0, 0, 6)
    keep(season, "retained_nodes", "50")
    assert season_after(season, "Kettle Bench").missing["shoots"] == ("live_buds",)


def test_ravaz_is_placed_in_its_published_band(season: Season) -> None:
    """15 kg of fruit over 2.0 kg of prunings is 7.5, within 4 to 10 (Kliewer & Dokoozlian 2005)."""
    keep(season, "vines", "2000", "per ha")
    keep(season, "harvest", "30", "t/ha")
    keep(season, "prunings", "2.0", "kg")
    after = season_after(season, "Kettle Bench")
    assert after.ravaz.value == pytest.approx(7.5)
    assert after.ravaz.where == "within"
    keep(season, "prunings", "8.0", "lb", on="2026-11-01")
    assert season_after(season, "Kettle Bench").ravaz.where == "within"
    assert season_after(season, "Kettle Bench", canopy="divided").ravaz.where == "below"


def test_the_index_waits_for_prunings_weighed_after_the_harvest(season: Season) -> None:
    """3.0 kg of fruit over 1.2 kg of the winter after is 2.5; over 0.6 kg of the winter before it
    would be 5.0 and look balanced (P. Skinkis, Oregon State EM 9069, 2013, for the pairing)."""
    keep(season, "vines", "2000", "per ha")
    keep(season, "prunings", "0.6", "kg", on="2026-01-20")
    keep(season, "harvest", "6", "t/ha", on="2026-09-20")
    before = season_after(season, "Kettle Bench")
    assert before.ravaz is None
    assert before.missing["ravaz"] == ("prunings_after_harvest",)
    keep(season, "prunings", "1.2", "kg", on="2027-01-18")
    assert season_after(season, "Kettle Bench").ravaz.value == pytest.approx(2.5)


def test_shoots_a_foot_and_a_metre_are_one_band(season: Season) -> None:
    """3 to 5 shoots a foot is 9.8 to 16.4 a metre (University of Maryland Extension 2017)."""
    keep(season, "shoots_per_m", "6", "per ft")
    after = season_after(season, "Kettle Bench")
    assert after.shoots.where == "above"
    assert after.shoots_to_remove == pytest.approx(1 / 0.3048)
    keep(season, "shoots_per_m", "16", "per m")
    assert season_after(season, "Kettle Bench").shoots.where == "within"


def test_the_loop_is_closed_over_blocks(season: Season) -> None:
    with season.write() as conn:
        blocks.ensure_block(conn, "Orchard Draw")
    for block, harvest in (("Kettle Bench", "10"), ("Orchard Draw", "8")):
        keep(season, "vines", "2000", "per ha", block=block)
        keep(season, "clusters_per_vine", "40 50 30", block=block)
        keep(season, "cluster_weight_harvest", "110", "g", block=block)
        keep(season, "harvest", harvest, "t/ha", block=block)
    forecast, names = forecast_of_season(season)
    assert names == ("Kettle Bench", "Orchard Draw")
    assert forecast.errors == pytest.approx((-0.12, 0.10))
    assert forecast.mean_error == pytest.approx(-0.01)
    assert forecast.within == 2
    assert season_after(season, "Kettle Bench").error == pytest.approx(-0.12)


def test_no_harvest_closes_no_loop(season: Season) -> None:
    assert forecast_of_season(season) == (None, ())


def test_several_values_give_the_mean_and_its_error(season: Season) -> None:
    keep(season, "clusters_per_vine", "32; 41 38")
    (row,) = records(season, "Kettle Bench")
    assert row.value == pytest.approx(37.0)
    assert row.spread == pytest.approx((21 / 3) ** 0.5)  # variance 21 of 3 vines


def test_a_correction_is_a_new_row_and_the_newest_counts(season: Season) -> None:
    keep(season, "harvest", "9", "t/ha", on="2026-10-01")
    keep(season, "harvest", "9,5", "t/ha", on="2026-10-01")
    keep(season, "harvest", "3", "t/ha", on="2025-10-01")
    told = records(season)
    assert len(told) == 3
    assert newest(told)["harvest"].value == 9.5


@pytest.mark.parametrize(("kind", "values", "unit", "on", "words"), [
    ("sugar", "1", "", "2026-07-01", "kind is 'sugar'"),
    ("harvest", "9", "", "2026-10-01", "unit of harvest is ''; expected t/ha or tons/acre"),
    ("harvest", "9", "kg", "2026-10-01", "unit of harvest is 'kg'"),
    ("harvest", "nine", "t/ha", "2026-10-01", "a value is 'nine'"),
    ("harvest", "-9", "t/ha", "2026-10-01", "numbers of at least 0"),
    ("harvest", "0", "t/ha", "2026-10-01", "one of them above"),
    ("harvest", "nan", "t/ha", "2026-10-01", "a value is 'nan'; expected numbers"),
    ("harvest", "900", "t/ha", "2026-10-01", "at most 200 t/ha"),
    ("harvest", "9", "t/ha", "1 October", "the day is '1 October'"),
    ("harvest", " ", "t/ha", "2026-10-01", "there is no value"),
])
def test_bad_entries_are_refused(
    season: Season, kind: str, values: str, unit: str, on: str, words: str
) -> None:
    with pytest.raises(InputError, match=words.replace("(", r"\(")):
        keep(season, kind, values, unit, on=on)
    assert records(season) == []


def test_a_table_is_kept_whole_or_not_at_all(season: Season) -> None:
    head = "block,kind,values,unit,measured_on,note\n"
    good = "Kettle Bench,harvest,9.1,t/ha,2026-10-01,weighed\n"
    with pytest.raises(InputError, match=r"july.csv, row 3.*Nothing was imported"):
        import_records(season, head + good + "Kettle Bench,harvest,x,t/ha,2026-10-01,\n",
                       person_id=None, name="july.csv")
    with pytest.raises(NotFoundError, match=r"july.csv, row 3"):
        import_records(season, head + good + "No such,harvest,9,t/ha,2026-10-01,\n",
                       person_id=None, name="july.csv")
    with pytest.raises(InputError, match="column unit is missing"):
        import_records(season, "block,kind,values,measured_on\n", person_id=None)
    with pytest.raises(NothingToDoError, match="no row below it"):
        import_records(season, head, person_id=None)
    assert records(season) == []
    assert import_records(season, "\ufeff" + (head + good).replace(",", ";"), person_id=None) == 1
    assert records(season)[0].note == "weighed"


def test_every_kind_has_words_and_a_first_unit_of_factor_one() -> None:
    for kind in KINDS.values():
        assert kind.words
        assert next(iter(kind.units.values())) == 1.0
