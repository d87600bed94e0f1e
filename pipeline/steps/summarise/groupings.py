"""What rates are given for: how takes fall into groups, and which clusters their intervals resample.

Each grouping is a join onto ``fact.take_tally`` (called ``tally`` here) that gives every take a key and a share in
it. The keys are those by which the views of ``summary`` find their row of ``result.estimate``.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

TABLES = ("estimate", "comparison", "player_effect", "effect")
"""Names of the tables of the layer ``result``."""
SESSION = "tally.session_key"
PLAYER = "coalesce(tally.player_id, tally.session_key)"

_SCHOOL = "join fact.school_member as school on school.player_id is not distinct from tally.player_id"
_PERIOD = "join fact.take_period as period on period.take_id = tally.take_id"
_COHORT = "join fact.player_cohort as cohort on cohort.player_id is not distinct from tally.player_id"
_YEAR = "join fact.take_year as year on year.take_id = tally.take_id"
_LINEAGE = """join (
    select ancestor_id, player_id, generations as generation from stage.ancestor
    union all
    select distinct ancestor_id, ancestor_id as player_id, 0 as generation from stage.ancestor
) as lineage on lineage.player_id = tally.player_id"""


@dataclass(frozen=True)
class Grouping:
    """How takes fall into groups.

    Attributes
    ----------
    key : SQL for the group's key.
    joins : SQL joins that ``key`` and ``share`` need.
    share : SQL for the share of a take that counts in the group.
    cluster : SQL for the cluster of a take.
    unit : what a cluster is.
    has_quartiles : whether quartiles of the slides' measures are given.
    parts : for groups of slides rather than takes (kinds, intervals): SQL for the part of a slide, named
        ``slide``; and whether the chances are counted for the part alone, from ``fact.transition``.
    """

    key: str
    joins: str = ""
    share: str = "1"
    cluster: str = PLAYER
    unit: Literal["session", "player"] = "player"
    has_quartiles: bool = True
    parts: str | None = None
    own_chances: bool = False


def _session(key: str) -> Grouping:
    return Grouping(key=key, cluster=SESSION, unit="session")


GROUPINGS: Mapping[str, Grouping] = {
    "corpus": Grouping(key="'corpus'"),
    "take": Grouping(
        key="tally.take_id || '/' || coalesce(tally.player_id, '~')",
        cluster=SESSION,
        unit="session",
        has_quartiles=False,
    ),
    "player": _session("coalesce(tally.player_id, '~')"),
    "school": Grouping(key="school.scheme || '/' || school.school_id", joins=_SCHOOL, share="school.share"),
    "period": Grouping(key="period.scheme || '/' || period.period_id", joins=_PERIOD, share="period.share"),
    "school_and_period": Grouping(
        key="school.scheme || '/' || school.school_id || '/' || period.scheme || '/' || period.period_id",
        joins=f"{_SCHOOL} {_PERIOD}",
        share="school.share * period.share",
    ),
    "cohort": Grouping(key="cohort.cohort", joins=_COHORT, share="cohort.share"),
    "cohort_and_period": Grouping(
        key="cohort.cohort || '/' || period.scheme || '/' || period.period_id",
        joins=f"{_COHORT} {_PERIOD}",
        share="cohort.share * period.share",
    ),
    "year": Grouping(key="coalesce(year.year::varchar, 'undated')", joins=_YEAR, share="year.share"),
    "process": Grouping(key="tally.process"),
    "accompaniment": Grouping(key="tally.accompaniment"),
    "instrument": Grouping(key="coalesce(tally.instrument, 'unknown')"),
    "work": Grouping(key="coalesce(tally.work_id, '~')"),
    "work_and_player": _session("coalesce(tally.work_id, '~') || '/' || coalesce(tally.player_id, '~')"),
    "lineage": Grouping(key="lineage.ancestor_id || '/' || lineage.generation", joins=_LINEAGE, has_quartiles=False),
    "kind": Grouping(key="part", parts="slide.kind"),
    "kind_and_direction": Grouping(key="part", parts="slide.kind || '/' || coalesce(slide.direction, 'unknown')"),
    "interval": Grouping(
        key="part", parts="slide.direction || '/' || slide.semitones", own_chances=True, has_quartiles=True
    ),
}


def cluster_query(grouping: Grouping) -> str:
    """SQL for one row for each group and cluster, with counts and exposure."""
    if grouping.parts is not None:
        return _part_query(grouping)
    weight = f"tally.weight * {grouping.share}"
    sums = ", ".join(f"sum({weight} * tally.{name})::double as {name}" for name in _SUMMED)
    return (
        f"select {grouping.key} as group_key, {grouping.cluster} as cluster, {sums} "
        f"from fact.take_tally as tally {grouping.joins} where tally.state = 'judged' group by 1, 2 order by 1, 2"
    )


_SUMMED = ("timed_slides", "timed_minutes", "slides", "transitions", "slurred_slides", "slurred_transitions")


def _part_query(grouping: Grouping) -> str:
    """Each part of the slides over all clusters: a cluster without such a slide counts with zero."""
    owner = "tally.take_id = {0}.take_id and tally.player_id is not distinct from {0}.player_id"
    chances = "whole.transitions as transitions, whole.slurred_transitions as slurred_transitions"
    chance_join = chance_table = parts_with_chances = ""
    if grouping.own_chances:
        part = grouping.parts.replace("slide.", "transition.") if grouping.parts else ""
        chance_table = (
            f", chance as (select {part} as part, {grouping.cluster} as cluster, "
            "sum(tally.weight) as transitions, "
            "coalesce(sum(tally.weight) filter (where transition.is_slurred), 0) as slurred_transitions "
            f"from fact.transition join fact.take_tally as tally on {owner.format('transition')} group by 1, 2)"
        )
        chances = (
            "coalesce(chance.transitions, 0) as transitions, "
            "coalesce(chance.slurred_transitions, 0) as slurred_transitions"
        )
        parts_with_chances = "union select part from chance"
        chance_join = "left join chance on chance.part = part.part and chance.cluster = whole.cluster"
    return f"""with whole as (
        select {grouping.cluster} as cluster, sum(tally.weight * tally.timed_minutes) as timed_minutes,
            sum(tally.weight * tally.transitions) as transitions,
            sum(tally.weight * tally.slurred_transitions) as slurred_transitions
        from fact.take_tally as tally where tally.state = 'judged' group by 1
    ), hit as (
        select {grouping.parts} as part, {grouping.cluster} as cluster, sum(tally.weight) as slides,
            coalesce(sum(tally.weight) filter (where coalesce(slide.speed_state, '') <> 'unmeasurable'), 0)
                as timed_slides,
            coalesce(sum(tally.weight) filter (where slide.is_slurred), 0) as slurred_slides
        from fact.slide join fact.take_tally as tally on {owner.format("slide")} group by 1, 2
    ){chance_table}, part as (
        select distinct part from hit where part is not null {parts_with_chances}
    )
    select part.part as group_key, whole.cluster, coalesce(hit.timed_slides, 0) as timed_slides,
        whole.timed_minutes, coalesce(hit.slides, 0) as slides,
        coalesce(hit.slurred_slides, 0) as slurred_slides, {chances}
    from part cross join whole
    left join hit on hit.part = part.part and hit.cluster = whole.cluster
    {chance_join}
    order by 1, 2"""


def quartile_query(grouping: Grouping) -> str:
    """SQL for the quartiles (type 7) of each group's slides; a slide of a take with any share counts once."""
    key = grouping.parts or grouping.key
    cuts = ", ".join(
        f"quantile_cont({value}, {at})::double as {name}"
        for measure, value in (
            ("duration_{}_ms", "slide.duration_ms"),
            ("interval_{}_cents", "abs(slide.interval_cents)"),
            ("gradient_{}_cents_per_s", "abs(slide.gradient_cents_per_s)"),
        )
        for at, word in ((0.25, "q1"), (0.5, "median"), (0.75, "q3"))
        for name in (measure.format(word),)
    )
    return (
        f"select {key} as group_key, {cuts} from fact.slide "
        "join fact.take_tally as tally on tally.take_id = slide.take_id "
        "and tally.player_id is not distinct from slide.player_id "
        f"{grouping.joins} where {grouping.share} > 0 group by 1 having {key} is not null order by 1"
    )
