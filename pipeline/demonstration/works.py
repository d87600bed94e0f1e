"""The works that several takes of the demo share: melodies in bars, what editions print, what each take plays of them.

``python -m pipeline.demonstration.works`` writes the parts anew into ``demo_corpus/catalogue``. At each place the
log-odds that a shift is heard are those of the place (normal about the work's ``singing``) plus those of the player
(``sliding``), so that players differ by the same odds ratio at every place, whatever they choose to play.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from scipy.special import expit

from pipeline import resources
from pipeline.demonstration.players import fingers_of
from pipeline.demonstration.scores import read_scores
from pipeline.instruments import INSTRUMENTS
from pipeline.signal.synth.keys import pull_of
from pipeline.signal.synth.known_melody import Line
from pipeline.signal.synth.scale_melodies import melody
from pipeline.store.parts.part import Way, WrittenNote, WrittenPart, numbered
from pipeline.store.parts.played import played

BEATS = 3
BEAT_S = 0.6
"""Length of a beat that editors think of (no source)."""
_RHYTHMS = ((1.0, 1.0, 1.0), (2.0, 1.0), (1.5, 0.5, 1.0), (1.0, 0.5, 0.5, 1.0), (1.0, 2.0), (3.0,))
_RHYTHM_SHARES = (0.3, 0.25, 0.15, 0.15, 0.1, 0.05)
PLACE_SPREAD = 1.0
"""Standard deviation of the places of a work, in log-odds."""
MARKED = 0.25
"""Share of the shifts along a string at which the demo's editions print a slide."""


@dataclass(frozen=True)
class Work:
    """A melody of so many bars of three beats, of which the first ``repeated`` are played twice."""

    key: str
    seed: int
    bars: int
    repeated: int
    top: int
    singing: float

    def line(self) -> list[WrittenNote]:
        """Notes without fingers."""
        rng = np.random.default_rng(self.seed)
        rhythms = [_RHYTHMS[i] for i in rng.choice(len(_RHYTHMS), size=self.bars, p=_RHYTHM_SHARES)]
        pitches = melody(
            rng,
            instrument=INSTRUMENTS["violin"],
            pull=pull_of(self.key),
            notes=sum(map(len, rhythms)),
            top=self.top,
        )
        notes, at = [], iter(pitches)
        for bar, rhythm in enumerate(rhythms, start=1):
            beat = 1.0
            for beats in rhythm:
                onset = (bar - 1) * BEATS + beat - 1.0
                notes.append(WrittenNote(float(next(at)), 0, bar, str(bar), beat, beats, onset))
                beat += beats
        return notes

    def ways(self) -> tuple[Way, ...]:
        """Back to the beginning after the bars that are repeated."""
        return (Way(sum((note.bar_index or 0) <= self.repeated for note in self.line()), 1, "repeat"),)

    def edition(self, seed: int, *, one_string: float = 1.5, same_finger: float = 0.4) -> WrittenPart:
        """The part with the fingers of an editor, printed where the hand moves and now and then besides."""
        rng = np.random.default_rng(seed)
        violin, line = INSTRUMENTS["violin"], self.line()
        fingers = fingers_of(seed, instrument="violin", one_string=one_string, same_finger=same_finger)
        stops = fingers([int(n.midi) for n in line], [BEAT_S * (n.beats or 1.0) for n in line])
        slurs = rng.random(len(line)) < 0.4
        chances = rng.random((len(line), 2))
        notes = []
        for i, (note, stop) in enumerate(zip(line, stops, strict=True)):
            moved = i == 0 or stop.first != stops[i - 1].first or stop.string != stops[i - 1].string
            leaves = i + 1 < len(line) and stops[i + 1].first != stop.first and stops[i + 1].string == stop.string
            told = moved or leaves or chances[i, 0] < 0.2
            notes.append(
                replace(
                    note,
                    finger=stop.finger if told else None,
                    string=violin.strings[stop.string] if moved else None,
                    slurred_to_next=bool(slurs[i]) and i + 1 < len(line),
                    slide_marked=bool(leaves and chances[i, 1] < MARKED),
                )
            )
        return WrittenPart(numbered(notes, range(len(notes))), self.ways())

    def played(self, *, repeats: bool, cut: Sequence[int] | None, semitones: int, sliding: float) -> Line:
        """What a take plays: with or without the repeat, without the bars of a cut, so many semitones higher."""
        line = self.line()
        places = np.random.default_rng(self.seed + 1000).normal(self.singing, PLACE_SPREAD, len(line))
        heard = expit(places + sliding)
        order = played(len(line), self.ways() if repeats else ())
        low, high = cut or (1, 0)
        kept = [i - 1 for i in order if not low <= (line[i - 1].bar_index or 0) <= high]
        return Line(
            tuple(int(line[i].midi) + semitones for i in kept),
            tuple(line[i].beats or 1.0 for i in kept),
            tuple(float(heard[i]) for i in kept),
        )


def read_works(recipe: Mapping[str, Any]) -> dict[str, Work]:
    """The works of a recipe, by id."""
    fields = ("key", "seed", "bars", "repeated", "top", "singing")
    return {name: Work(**{field: work[field] for field in fields}) for name, work in recipe.get("works", {}).items()}


def write_parts(folder: Path) -> None:
    """Writes the parts of the recipe in ``folder`` into its catalogue, as ``glideline part add`` does."""
    import tomllib

    from pipeline.answers.written_parts import add
    from pipeline.store.catalogue.written import written_rows
    from pipeline.store.parts.written_out import as_musicxml

    values = tomllib.loads((folder / "recipe.toml").read_text(encoding="utf-8"))
    strings = INSTRUMENTS["violin"].strings
    for each in _editions(values):
        rows = written_rows(each.part, work_id=each.work_id, edition=each.name)
        document = as_musicxml(rows["written_note"], rows["written_way"], strings=strings, part="Violin")
        file = folder / "catalogue" / "parts" / f"{each.stem}.musicxml"
        file.parent.mkdir(exist_ok=True)
        file.write_bytes(document)
        rights = "Invented; as the rest of the demo"
        add(folder, each.work_id, file, edition=each.name, editor_id=each.editor, rights=rights, replace=True)


class _Edition(NamedTuple):
    """A part as an edition prints it, and what its file is called."""

    work_id: str
    name: str
    part: WrittenPart
    stem: str
    editor: str | None = None


def _editions(values: Mapping[str, Any]) -> Iterator[_Edition]:
    works = read_works(values)
    for work_id, work in values["works"].items():
        for name, habits in work["editions"].items():
            editor = habits.pop("editor", None)
            yield _Edition(work_id, name, works[work_id].edition(**habits), f"{work_id}-{habits['seed']}", editor)
    for work_id, score in read_scores(values).items():
        yield _Edition(work_id, score.edition, score.part(), work_id)


if __name__ == "__main__":
    write_parts(resources.folder("demo_corpus"))
