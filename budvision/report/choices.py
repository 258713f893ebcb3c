"""What can be done after a bad winter, each way with its condition and where it is published.

Where sources disagree the text says so: the choice is the grower's and the adviser's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

__all__ = ["CHOICES", "SEVERE_SHARE", "Choice", "ways_on"]

SEVERE_SHARE = 0.5
"""Above about half, expect some trunk injury too (H. Walter-Peterson, reported 2014)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """Something that can be done, and when it is the thing to do.

    Attributes
    ----------
    when, deed : str
        Short enough for the sheet.
    more : str
        What is known of it; for page and command line.
    source : str
        Where it is published.
    training : str
        "spur" or "cane" where it is for such vines only; empty for all.
    severe : bool
        Only where more than `SEVERE_SHARE` of the primaries are dead.
    """

    when: str
    deed: str
    more: str = ""
    source: str
    training: str = ""
    severe: bool = False

    @property
    def words(self) -> str:
        """The choice with all that is known of it."""
        known = f" {self.more} ({self.source}.)" if self.more else ""
        return f"{self.when}: {self.deed}{known}"


_MORE_NODES = (
    "In New York in 2014 Frontenac with 76 to 90 nodes a vine instead of 48 to 50 had 40 to 55 "
    "shoots, thinned to 35 to 40; but only 12 to 30 % of its shoots bore a cluster, of Marquette's "
    "30 to 65 %: more nodes restore the shoots, not always the crop.")
_MARTINSON = "T. Martinson, Northern New York grape update, 7 July 2014"

CHOICES: Mapping[str, Choice] = MappingProxyType({
    "trunk": Choice(
        when="Before anything else",
        deed="look for trunk injury: cut into trunks and cordons of a few vines, and look for "
        "brown under the bark. Above about half the buds dead, some trunks are likely hurt.",
        more="Healthy tissue under the bark is nearly white or green, hurt grey to light brown, "
        "dead almost black; it is hard to judge before growth starts.",
        source="H. Walter-Peterson, reported 2014; Missouri State University"),
    "delayed": Choice(
        when="If pruning can wait",
        deed="delay it until bud break, then prune lightly to the wanted number of live nodes.",
        more="Prune hardy cultivars and those with fruitful secondaries first, tender vinifera "
        "last, in March at the earliest.",
        source="T. Zabadal and P. Sabbatini, Michigan State University; University of Georgia "
        "B1505"),
    "spurs": Choice(
        when="If the vines are spur-pruned",
        deed="leave spurs of 6 to 9 buds, or up to three short canes a vine beside the spurs; thin "
        "once it shows which shoots grow.",
        more=f"{_MORE_NODES} A long spur may hold back its first buds, and raises the vine next "
        "year. Three short canes on the cordon gave old injured Merlot 3.9 kg a vine.",
        source=f"{_MARTINSON}; Practical Winery & Vineyard, Nov/Dec 2009; Gohil, Mills and Keller, "
        "ASEV abstract",
        training="spur", severe=True),
    "canes": Choice(
        when="If the vines are cane-pruned",
        deed="leave extra canes; thin once it shows which shoots grow.",
        more=_MORE_NODES, source=_MARTINSON, training="cane", severe=True),
    "double": Choice(
        when="If it cannot all wait",
        deed="prune twice: leave two to three times the wanted buds now, and finish shortly after "
        "bud break.",
        more="Where buds turn out fine it costs crop: finishing at half bud break 3 to 33 % in "
        "Georgia, later 21 to 26 %; in a frost year the late cut gained 41 to 72 %. In "
        "cold-injured Merlot double pruning gave the least with disbudding.",
        source="Facts for Fancy Fruit, Purdue University; University of Georgia, Jan 2019 and "
        "thesis 4143; Keller and Mills 2007, Am. J. Enol. Vitic. 58:351-357"),
    "minimal": Choice(
        when="If more than half is dead and the trunks are sound",
        deed="prune minimally: take off only what is in the way, and cut back once it shows which "
        "nodes grow.",
        more="In cold-injured Merlot, a quarter of whose buds were dead, minimal pruning gave the "
        "most; neither the time of pruning nor the buds left changed survival.",
        source="T. Zabadal, Michigan State University; Keller and Mills 2007, Am. J. Enol. Vitic. "
        "58:351-357"),
    "renew": Choice(
        when="If trunks or cordons are dead",
        deed="keep suckers from the base as new trunks and cordons.",
        more="Sources differ. First season: keep about five a vine (Minnesota), or all, in a fan "
        "(Ohio). Next winter: canes of 7 to 9 mm rather than thicker ones, as one trunk "
        "(Minnesota), one or two (Oklahoma) or four (Ohio); on tender cultivars three to six of "
        "different ages (Missouri). A renewal cane counts as one fruiting cane.",
        source="A. Klodd, University of Minnesota; Todaro and Dami 2018, HortTechnology; Oklahoma "
        "State University, 3 May 2011; Missouri State University; New Mexico State University "
        "2020; T. Zabadal"),
    "gall": Choice(
        when="If galls show on the trunks",
        deed="mark those vines; a gall right round the trunk can collapse a vine.",
        more="Sources differ: taking them out can wait until next spring, since the bacterium is "
        "in the whole vine (New Mexico), or affected trunks come out early, to limit its spread "
        "(Rutgers). After 2014 fully galled Chancellor held its crop, Chambourcin collapsed.",
        source="New Mexico State University 2020; Rutgers Plant & Pest Advisory; B. Hed, Penn "
        "State, 12 Sep 2014",
        severe=True),
})
"""Ways on when no node count can be given, each with its condition."""


def ways_on(
    share: float | None, *, training: str = "", wood: str = ""
) -> dict[str, Choice]:
    """Return what can be done at a share of dead primaries, by name.

    Parameters
    ----------
    share : float or None
        Share of dead primary buds. Up to `SEVERE_SHARE` the ways are named without what is known
        of them, and those for a bad winter are left out.
    training : str
        "spur" or "cane"; empty for not known, then the ways for both are given.
    wood : str
        What cuts say of trunks and cordons (`budvision.report.wood.wood_state`): sound ones need no
        looking for injury, hurt ones renewal first, dead ones no minimal pruning either.
    """
    left_out = {"sound": {"trunk", "renew"}, "hurt": {"trunk"}, "dead": {"trunk", "minimal"}}
    names = [name for name in CHOICES if name not in left_out.get(wood, ())]
    if wood in ("hurt", "dead"):
        names.sort(key=lambda name: name != "renew")
    severe = share is not None and share > SEVERE_SHARE
    return {
        name: one if severe or (name == "renew" and wood) else replace(one, more="")
        for name, one in ((name, CHOICES[name]) for name in names)
        if (severe or not one.severe) and (not training or one.training in ("", training))
    }
