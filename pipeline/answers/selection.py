"""Takes chosen by player, school, period or certainty, and everything counted again for the choice.

The view asked for, and those of ``tally`` and ``summary`` that it rests on, are made once more, in memory, over the
facts of the chosen takes; intervals come from the same code and seed as those of the step ``summarise``. What a view
rests on is told by its SQL, and which groups it shows by its schema. A take whose player is in a school by a share
counts with that share; of a choice of periods only takes certainly dated to it count.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from types import MappingProxyType

import duckdb
import polars as pl

from pipeline.errors import UsageError
from pipeline.stats.lineage import CERTAINTIES
from pipeline.store.catalogue.problems import listed
from pipeline.store.database import views
from pipeline.store.database.read import rows_of
from pipeline.store.schema import Relation

# Layers whose rows are those of the corpus, or of the takes chosen from it; and layers that count them in groups.
FACTS, COUNTS = ("base", "stage", "fact"), ("tally", "summary", "export")
# Facts of which only those of the chosen takes are left.
NARROWED = (
    ("fact", "slide"),
    ("fact", "transition"),
    ("fact", "written_place_take"),
    ("fact", "bar_played"),
    ("fact", "take_tally"),
    ("stage", "ancestor"),
)
# What the tables of the layer result are made from.
_CLUSTERS = (("tally", "grouping"), ("tally", "by_cluster"))


@dataclass(frozen=True)
class Selection:
    """Which takes to count; several players, schools or periods mean any of them.

    ``players``, ``schools`` and ``periods`` are ids or names. ``scheme`` names a scheme of schools or of periods.
    ``without_takes`` are ids of takes to leave out.
    """

    players: Sequence[str] = ()
    schools: Sequence[str] = ()
    periods: Sequence[str] = ()
    scheme: str | None = None
    min_certainty: str | None = None
    without_takes: Sequence[str] = ()

    def __bool__(self) -> bool:
        return bool(
            self.players or self.schools or self.periods or self.scheme or self.min_certainty or self.without_takes
        )


@dataclass
class Selected:
    """Rows of a view for a choice of takes, and what there is to say about it."""

    frame: pl.DataFrame
    remarks: list[str] = field(default_factory=list)


def select(
    con: duckdb.DuckDBPyConnection,
    relation: Relation,
    selection: Selection,
    *,
    seed: int,
    replicates: int,
    where: str | None = None,
    instead: Mapping[views.Name, str] = MappingProxyType({}),
) -> Selected:
    """Rows of a view over the chosen takes only.

    Parameters
    ----------
    con : a connection to memory, with the corpus attached as ``corpus``.
    instead : SQL over ``corpus`` of tables and facts that are to be others than the corpus's; what rests on them is
        made anew.

    Raises
    ------
    UsageError
        If a player, school, period, scheme or certainty is unknown, or the view has nothing to do with takes.
    """
    remarks = _choose(con, selection, _copy_layers(con, instead))
    name = (relation.layer, relation.name)
    below = views.rests_on(name)
    if relation.layer in COUNTS and any(layer != "base" for layer, _ in below):
        _count_again(con, relation, {name, *below}, seed=seed, replicates=replicates)
        frame = rows_of(con, relation, where=where)
    elif name in NARROWED:
        frame = rows_of(con, relation, where=where)
    else:
        frame = _rows_of_takes(con, relation, where=where)
    if frame.is_empty() and not remarks:
        remarks.append("no rows: takes were chosen, but none of them has any in this view")
    return Selected(frame, remarks)


def _count_again(
    con: duckdb.DuckDBPyConnection, relation: Relation, wanted: set[views.Name], *, seed: int, replicates: int
) -> None:
    """Makes the wanted views anew over the facts, with the results that they show."""
    tables = [name for layer, name in wanted if layer == "result"]
    if tables:
        wanted = wanted.union(_CLUSTERS, *map(views.rests_on, _CLUSTERS))
    views.create_views(con, layers=("tally",), only=wanted)
    if tables:
        # Imported only here: with it comes half of scipy, which most questions can do without.
        from pipeline.steps.summarise.results import result_tables

        groupings = None if "*" in relation.groupings else relation.groupings
        results = result_tables(con, seed=seed, replicates=replicates, groupings=groupings, tables=tables)
        views.create_layers(con, results, layers=("result",))
    views.create_views(con, layers=("summary", "export"), only=wanted)


def _copy_layers(con: duckdb.DuckDBPyConnection, instead: Mapping[views.Name, str]) -> dict[views.Name, str]:
    """The lower layers as views on the attached database; gives the SQL of each."""
    names = con.execute(
        "select schema_name, table_name from duckdb_tables() where database_name = 'corpus' union all "
        "select schema_name, view_name from duckdb_views() where database_name = 'corpus' and not internal"
    ).fetchall()
    for layer in FACTS:
        con.execute(f"create schema {layer}").fetchall()
    bodies = {(layer, name): f'select * from corpus.{layer}."{name}"' for layer, name in names if layer in FACTS}
    bodies |= instead
    anew = [name for name in bodies if name not in instead and not views.rests_on(name).isdisjoint(instead)]
    if anew:
        con.execute(views.FUNCTIONS.read_text(encoding="utf-8")).fetchall()
    bodies |= {name: views.query(name) for name in anew}
    first = sorted(bodies.keys() - anew)
    for layer, name in [*first, *views.in_order(anew)]:
        con.execute(f'create view {layer}."{name}" as {bodies[layer, name]}').fetchall()
    return bodies


def _choose(con: duckdb.DuckDBPyConnection, selection: Selection, bodies: Mapping[views.Name, str]) -> list[str]:
    """Replaces facts by those of the chosen takes; says which filter left nothing."""
    _replace(con, "fact.take_tally", "from fact.take_tally")
    before = _count(con)
    remarks: list[str] = []

    def narrowed(said: str) -> None:
        nonlocal before
        after = _count(con)
        if after == 0 and before > 0:
            remarks.append(f"{said} leaves none of {before} takes")
        before = after

    if selection.without_takes:
        gone = _listed(selection.without_takes)
        con.execute(f"delete from fact.take_tally where take_id in ({gone})").fetchall()
        narrowed("leaving out takes")
    if selection.scheme is not None:
        _in_scheme(con, selection.scheme)
    if selection.min_certainty is not None:
        if selection.min_certainty not in CERTAINTIES:
            raise UsageError(f"--min-certainty {selection.min_certainty!r}: give {', '.join(reversed(CERTAINTIES))}")
        allowed = _listed(CERTAINTIES[CERTAINTIES.index(selection.min_certainty) :])
        con.execute(f"delete from fact.take_tally where coalesce(certainty, '') not in ({allowed})").fetchall()
        _replace(con, "base.teaching", f"from base.teaching where certainty in ({allowed})")
        _replace(con, "stage.ancestor", f"from ({views.query(('stage', 'ancestor'))})")
        narrowed(f"--min-certainty {selection.min_certainty}")
    if selection.players:
        ids = _listed(_ids(con, "player", "player_id", selection.players))
        con.execute(f"delete from fact.take_tally where coalesce(player_id, '') not in ({ids})").fetchall()
        narrowed("--player " + ", ".join(selection.players))
    if selection.schools:
        ids = _listed(_ids(con, "school", "school_id", selection.schools, also=("unplaced",)))
        _weigh(con, "school_member", "player_id", f"school_id in ({ids})")
        narrowed("--school " + ", ".join(selection.schools))
    if selection.periods:
        ids = _listed(_ids(con, "period", "period_id", selection.periods, also=("undated", "outside")))
        maybe = _count(con, f"take_id in (select take_id from fact.take_period where period_id in ({ids}))")
        _weigh(con, "take_period", "take_id", f"period_id in ({ids})", whole=True)
        if maybe > (sure := _count(con)):
            remarks.append(f"{maybe - sure} takes may be of it, but are not certainly: left out")
        narrowed("--period " + ", ".join(selection.periods))
    for name in ("slide", "transition", "written_place_take", "bar_played"):
        con.execute(
            f"create or replace view fact.{name} as select facts.* from ({bodies['fact', name]}) as facts "
            "semi join fact.take_tally as tally on tally.take_id = facts.take_id "
            "and tally.player_id is not distinct from facts.player_id"
        ).fetchall()
    return remarks


def _weigh(con: duckdb.DuckDBPyConnection, fact: str, key: str, condition: str, *, whole: bool = False) -> None:
    """Takes count by their share in the chosen groups, and those groups are the only ones left.

    ``whole``: only takes that lie in them altogether count.
    """
    schemes = con.execute(f"select distinct scheme from fact.{fact} where {condition} order by 1").fetchall()
    if len(schemes) > 1:
        named = ", ".join(scheme for (scheme,) in schemes)
        raise UsageError(f"what is chosen stands in several schemes ({named})", "name one with --scheme")
    least = "having sum(share) > 1 - 1e-9" if whole else ""
    con.execute(
        f"create temp table chosen as select {key}, {'1.0' if whole else 'sum(share)'} as share "
        f"from fact.{fact} where {condition} group by 1 {least}"
    ).fetchall()
    # Within the choice the groups split what is left, so that their sums are those of the choice.
    _replace(
        con,
        f"fact.{fact}",
        f"from (select facts.* replace (facts.share / chosen.share as share) from fact.{fact} as facts "
        f"join chosen on chosen.{key} is not distinct from facts.{key} where {condition})",
    )
    con.execute(
        "create or replace table fact.take_tally as "
        "select tally.* replace (tally.weight * chosen.share as weight) "
        f"from fact.take_tally as tally join chosen on chosen.{key} is not distinct from tally.{key}"
    ).fetchall()
    con.execute("drop table chosen").fetchall()


def _in_scheme(con: duckdb.DuckDBPyConnection, scheme: str) -> None:
    known = [
        name
        for (name,) in con.execute(
            "select scheme from corpus.base.school union select scheme from corpus.base.period order by 1"
        ).fetchall()
    ]
    if scheme not in known:
        raise UsageError(f"--scheme {scheme!r}: no such scheme of schools or periods", f"{_hint(scheme, known)}")
    for fact, table in (("school_member", "school"), ("take_period", "period")):
        used = con.execute(f"select count(*) from corpus.base.{table} where scheme = $1", [scheme]).fetchall()
        if used[0][0]:
            quoted = scheme.replace("'", "''")
            _replace(con, f"fact.{fact}", f"from fact.{fact} where scheme = '{quoted}'")


def _replace(con: duckdb.DuckDBPyConnection, name: str, source: str) -> None:
    con.execute(f"create temp table replacement as {source}").fetchall()
    layer, _, bare = name.partition(".")
    kind = con.execute(
        "select 1 from duckdb_views() where database_name = 'memory' and schema_name = $1 and view_name = $2",
        [layer, bare],
    ).fetchall()
    con.execute(f"drop {'view' if kind else 'table'} {name}").fetchall()
    con.execute(f"create table {name} as from replacement").fetchall()
    con.execute("drop table replacement").fetchall()


def _ids(
    con: duckdb.DuckDBPyConnection, table: str, key: str, given: Sequence[str], also: Sequence[str] = ()
) -> list[str]:
    known = con.execute(f"select {key}, name from corpus.base.{table} order by 1").fetchall()
    by_name = {text.casefold(): ident for ident, name in reversed(known) for text in (name, ident)}
    by_name |= {name: name for name in also}
    found = []
    for text in given:
        if text.casefold() not in by_name:
            raise UsageError(f"--{table} {text!r}: no such {table}", f"{_hint(text, [row[0] for row in known])}")
        found.append(by_name[text.casefold()])
    return found


def _hint(text: str, known: Sequence[str]) -> str:
    near = get_close_matches(text, known, n=3)
    if near:
        return f"did you mean {' or '.join(near)}?"
    return f"there are: {listed(known, most=12)}" if known else "the catalogue has none"


def _listed(values: Sequence[str]) -> str:
    return ", ".join("'" + value.replace("'", "''") + "'" for value in values)


def _count(con: duckdb.DuckDBPyConnection, condition: str = "true") -> int:
    return int(con.execute(f"select count(distinct take_id) from fact.take_tally where {condition}").fetchall()[0][0])


def _rows_of_takes(con: duckdb.DuckDBPyConnection, relation: Relation, *, where: str | None) -> pl.DataFrame:
    """Rows of a view that counts nothing, for the chosen takes or their transfers."""
    names = {column.name for column in relation.columns}
    if "take_id" in names:
        condition = "take_id in (select take_id from fact.take_tally)"
    elif "transfer_id" in names:
        condition = (
            "transfer_id in (select transfer.transfer_id from corpus.base.transfer "
            "join corpus.base.side_take on side_take.side_id = transfer.side_id "
            "join fact.take_tally on take_tally.take_id = side_take.take_id)"
        )
    else:
        raise UsageError(
            f"{relation.layer}.{relation.name} has nothing to do with takes, so that --player, --school, --period "
            "and --min-certainty cannot choose any",
            "use --where on its rows",
        )
    con.execute(f"create schema if not exists {relation.layer}").fetchall()
    name = f'"{relation.layer}"."{relation.name}"'
    con.execute(f"create or replace view {name} as select * from corpus.{name} where {condition}").fetchall()
    return rows_of(con, relation, where=where)
