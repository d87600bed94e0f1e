"""What a corpus says of some bars of a work: the part, its editions, and what each take does at each place."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.answers.number_words import doubt_words
from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.passages.bars import Stretch, stretch
from pipeline.answers.passages.chords import ROWS, of_bars
from pipeline.answers.stop_words import stop_words
from pipeline.answers.written_parts import chosen_edition, known, known_work
from pipeline.counted import short_of
from pipeline.errors import DataError, typed
from pipeline.settings import read_settings
from pipeline.signal.passages.part import LEAST_NOTES
from pipeline.steps.summarise.editions import evidence, followed
from pipeline.store.corpus import Corpus
from pipeline.store.database.views import quoted

Row = dict[str, Any]
PASSED_BY = "not_reached"
LIKELY = 0.5
"""Probability below which a finger is marked as doubtful: it is less likely than not."""
_TAUGHT = """select player_id, teacher, edition, certainty from (
    select part.work_id, part.edition, link.student_id as player_id, teacher.name as teacher,
        arg_max(link.certainty, certainty.rank) as certainty
    from base.written_part as part
    join base.teaching as link on link.teacher_id = part.editor_id
    join stage.certainty on certainty.certainty = link.certainty
    join base.player as teacher on teacher.player_id = part.editor_id
    group by all)"""
_ABOUT = ("player", "player_id", "school", "period", "year", "recorded", "certainty")


@dataclass(frozen=True)
class TakeRow:
    """One time that a take comes by the passage.

    ``steps``: rows of ``fact.written_place_take`` with the events of their place, by the event to which they lead.
    """

    take_id: str
    transfer_id: str
    time_through: int
    player: str | None
    player_id: str | None
    school: str | None
    period: str | None
    year: int | None
    recorded: str | None
    certainty: str | None
    shift_semitones: int
    steps: dict[int, Row] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """The take's id; when it comes by again, which time, with a question mark where that is doubtful; and by how
        much it is transposed."""
        doubt = "?" if self.is_doubtful else ""
        again = f" ({_ordinal(self.time_through)} time{doubt})" if self.time_through > 1 else ""
        shift = f" {self.shift_semitones:+d}" if self.shift_semitones else ""
        return f"{self.take_id}{shift}{again}"

    @property
    def is_doubtful(self) -> bool:
        """Whether it may be other music that the take seems to come by with."""
        return any(step["reason"] == "repeat_unsure" for step in self.steps.values())

    @property
    def slid(self) -> int:
        """Places slid."""
        return sum(step["outcome"] == "slid" for step in self.steps.values())

    @property
    def told(self) -> int:
        """Places of which it can be told."""
        return sum(step["outcome"] in ("slid", "not_slid") for step in self.steps.values())

    @property
    def by(self) -> str:
        """Its player, with the doubt that there is; nothing where none is named."""
        return "" if self.player is None else self.player + doubt_words(self.certainty)

    def finger(self, event: int) -> str:
        """Likeliest finger and string at an event, with a question mark where they are less likely than not."""
        into = self.steps.get(event)
        if into is not None and into["to_finger"] is not None:
            return _stop(into, "to")
        out = next((step for step in self.steps.values() if step["from_event"] == event), None)
        return "" if out is None else _stop(out, "from")


def _stop(step: Row, end: str) -> str:
    if step[f"{end}_finger"] is None:
        return ""
    doubt = "?" if step["p_hand"] is not None and step["p_hand"] < LIKELY else ""
    return stop_words(step[f"{end}_string"], step[f"{end}_finger"]) + doubt


@dataclass(frozen=True)
class Passage:
    """Bars of a work, and what takes do there.

    ``events``: rows of ``stage.written_event`` of the reference; ``places``: rows of ``fact.written_place`` by the
    event to which they lead; ``printed``: of each edition the finger, string and slide at each event; ``passed_by``:
    takes of the work that do not come by; ``unlike``: takes whose notes do not fit the part, with what is said of them;
    ``followed``: rows as of ``result.edition_followed``, from these bars alone; ``taught``: of editions whose editor
    taught a player of the catalogue, that player's id, the teacher, the edition, and how sure the teaching is;
    ``chords``: rows as of ``passages.chords``, of the chords found in these bars.
    """

    work: Row
    reference: str
    stretch: Stretch
    events: list[Row]
    places: dict[int, Row]
    printed: dict[str, dict[int, Row]]
    takes: list[TakeRow]
    passed_by: list[str]
    unlike: list[tuple[str, str]]
    followed: list[Row]
    taught: list[Row]
    chords: list[Row]

    def outcomes(self, to_event: int) -> list[tuple[TakeRow, Row]]:
        """Each take's step into an event, where it can be told."""
        return [
            (take, take.steps[to_event])
            for take in self.takes
            if to_event in take.steps and take.steps[to_event]["outcome"] in ("slid", "not_slid")
        ]


def gather(
    corpus: OpenCorpus,
    work_id: str,
    *,
    bars: str | None = None,
    edition: str | None = None,
    takes: Sequence[str] = (),
    players: Sequence[str] = (),
) -> Passage:
    """Brings together what there is to know of a passage.

    Parameters
    ----------
    corpus : the corpus, run.
    work_id : the work.
    bars : as in ``bars.stretch``; None for the whole part.
    edition : which edition's fingers; a part of its name serves. None for all.
    takes, players : only these; all if empty.

    Raises
    ------
    DataError
        If there is no such work or edition, or the corpus was not run since its part was added.
    UsageError
        If there are no such bars.
    """
    catalogue = Corpus(corpus.root).catalogue
    work = known_work(catalogue, work_id)
    for table, ids in (("take", takes), ("player", players)):
        for each in ids:
            known(catalogue, table, each)
    reference = chosen_edition(catalogue, work_id, None)
    only = chosen_edition(catalogue, work_id, edition) if edition is not None else None
    events = _rows(corpus, "select * from stage.written_event", work_id, "edition", [reference], "event")
    if not events:
        raise DataError(f"{work_id}: its part is not in the database yet", f"run: glideline run {typed(corpus.root)}")
    meant = stretch(events, bars)
    inside = [event for event in events if meant.first <= event["event"] <= meant.last]
    places = _rows(corpus, "select * from fact.written_place", work_id, "edition", [reference], "from_event")
    own = {
        row["written_place_id"]: row
        for row in places
        if meant.first <= row["from_event"] and row["to_event"] <= meant.last
    }
    printed = _rows(corpus, "select * from fact.written_place_printed", work_id, "edition", [only] if only else [])
    unlike = _unlike(corpus, work_id, reference)
    found, passed_by = _takes(corpus, work_id, own, takes=takes, players=players)
    if not (found or passed_by or unlike):
        raise DataError(
            f"{work_id}: no such take has been laid beside its part", f"run: glideline run {typed(corpus.root)}"
        )
    return Passage(
        work=work,
        reference=reference,
        stretch=meant,
        events=inside,
        places={row["to_event"]: row for row in own.values()},
        printed=_printed(printed, own),
        takes=found,
        passed_by=passed_by,
        unlike=unlike,
        followed=_followed(corpus, work_id, own, {take.take_id for take in found}, only),
        taught=_rows(corpus, _TAUGHT, work_id),
        chords=of_bars(
            _rows(corpus, f"select * from ({ROWS})", work_id),
            bars={event["bar_index"] for event in inside},
            takes={take.take_id for take in found},
            edition=only,
        ),
    )


def _rows(
    corpus: OpenCorpus, select: str, work_id: str, column: str = "", values: Sequence[str] = (), order: str = "all"
) -> list[Row]:
    """Rows of a work, chosen by the values of a column if any are given."""
    chosen = f" and {column} in ({', '.join(map(quoted, values))})" if values else ""
    return corpus.sql(f"{select} where work_id = {quoted(work_id)}{chosen} order by {order}").to_dicts()


def _printed(rows: list[Row], places: Mapping[str, Row]) -> dict[str, dict[int, Row]]:
    found: dict[str, dict[int, Row]] = {}
    for row in rows:
        place = places.get(row["written_place_id"])
        if place is None:
            continue
        edition = found.setdefault(row["edition"], {})
        after = {"string": row["to_string"], "finger": row["to_finger"], "slide_marked": False}
        edition.setdefault(place["to_event"], after)
        here = {"string": row["from_string"], "finger": row["from_finger"], "slide_marked": row["slide_marked"]}
        edition[place["from_event"]] = here
    return found


def _takes(
    corpus: OpenCorpus, work_id: str, places: Mapping[str, Row], *, takes: Sequence[str], players: Sequence[str]
) -> tuple[list[TakeRow], list[str]]:
    rows = _rows(
        corpus,
        """select outcome.*, player.name as player, year(dated.recorded_earliest) as year, dated.recorded,
            performance.certainty, fit.shift_semitones,
            (select string_agg(period.name, ', ' order by period.name) from fact.take_period
             join base.period using (scheme, period_id)
             where take_period.take_id = outcome.take_id and take_period.is_certain) as period,
            (select string_agg(school.name, ', ' order by school.name) from fact.school_member as member
             join base.school using (school_id) where member.player_id = outcome.player_id) as school
        from fact.written_place_take as outcome
        left join base.player using (player_id)
        left join base.performance using (take_id, player_id)
        left join stage.take_dated as dated using (take_id)
        left join stage.reference_part as part using (work_id)
        left join base.written_fit as fit using (transfer_id, take_id, work_id, edition)""",
        work_id,
        order="transfer_id",
    )
    found: dict[tuple[str, str, int], TakeRow] = {}
    seen: set[str] = set()
    for row in rows:
        if (takes and row["take_id"] not in takes) or (players and row["player_id"] not in players):
            continue
        seen.add(row["take_id"])
        place = places.get(row["written_place_id"])
        if place is None:
            continue
        key = (row["take_id"], row["transfer_id"], row["time_through"])
        if key not in found:
            about = {name: row[name] for name in _ABOUT}
            found[key] = TakeRow(*key, **about, shift_semitones=row["shift_semitones"] or 0)
        found[key].steps[place["to_event"]] = row | {"from_event": place["from_event"], "to_event": place["to_event"]}
    reached = [take for take in found.values() if any(s["outcome"] != PASSED_BY for s in take.steps.values())]
    order = sorted(reached, key=lambda t: (t.school or "~", t.year or 9999, t.take_id, t.transfer_id, t.time_through))
    return order, sorted(seen - {take.take_id for take in reached})


def _followed(
    corpus: OpenCorpus, work_id: str, places: Mapping[str, Row], takes: set[str], edition: str | None
) -> list[Row]:
    """What the bars say of the editions: of the takes chosen that come by, and of those that do not fit an edition."""
    seed = read_settings(corpus.root / "settings.toml").summarise.seed
    rows = evidence(corpus.sql, work_id)
    rows = rows.filter(rows["written_place_id"].is_in(list(places)))
    found = followed(corpus.sql, rows, seed=seed, work_id=work_id)
    return [
        row
        for row in found
        if (row["take_id"] in takes or row["state"] == "other_music") and edition in (None, row["edition"])
    ]


def _unlike(corpus: OpenCorpus, work_id: str, reference: str) -> list[tuple[str, str]]:
    what = "select distinct take_id, state, found_notes from base.written_fit"
    words = {"not_this_work": "its notes are not those of the part"}
    return [
        (row["take_id"], words.get(row["state"]) or short_of(row["found_notes"], LEAST_NOTES, "note", "placing them"))
        for row in _rows(corpus, what, work_id, "edition", [reference])
        if row["state"] != "placed"
    ]


def _ordinal(number: int) -> str:
    return {1: "1st", 2: "2nd", 3: "3rd"}.get(number, f"{number}th")
