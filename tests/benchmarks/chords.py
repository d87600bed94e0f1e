"""Chords on mixes of real notes never learned from, and on real solo violin: one table from one run.

    OMP_NUM_THREADS=1 python -m tests.benchmarks.chords --folder FOLDER [--violin FOLDER] [--viola FOLDER] [--quick]

``--folder`` holds ``solo_violin``, ``cello_notes`` and ``piano`` (see ``real_sound``), ``--violin`` and ``--viola``
real single notes of these, one a file, named by their pitch. Of the mixes: per frame inside notes (50 ms and more from
their edges) how many of the notes of chords are found within 50 cents and how many of those said are right, octaves and
twelfths above another note apart; above how many notes of chords such a note is named or thought possible, where one
sounds and where none does; frames with two or more bowed; claims that a string sounds later against planted delays; the
curve of each note against the note followed by itself. Of single notes strung together over a piano: how often they are
called a chord. Of real solo violin: written notes found in 46 ms of the first 0.45 s, wrong notes a chord (as long, of
a pitch not written near), chords of over 200 ms a minute, onsets (80 ms, 50 cents; as heard, and with the notes of a
chord where it begins, for lists know no broken ones; see ``written_onsets``) beside basic-pitch where it is installed,
and in which share of the frames in which one note is written the line is on the one before, and only rings. Lists of
notes are estimates on a grid of 32 ms; each is moved by up to 0.1 s to where most are heard.
"""

import argparse
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, product
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.signal.chords.find import Chord, chords_of
from pipeline.signal.chords.grid import HOP_S, at_rate, midi_of_bins
from pipeline.signal.chords.judge import which_sound
from pipeline.signal.chords.octaves import POSSIBLE
from pipeline.signal.chords.partials import HOP_S as FINE_S
from pipeline.signal.chords.spans import Note, is_above, notes_of
from pipeline.signal.hand.fingerboard import fingerboard
from pipeline.signal.line.follow import follow
from pipeline.signal.slides.detect import find_notes_and_slides
from pipeline.signal.speed.speed_map import SpeedMap
from tests.benchmarks import real_sound
from tests.benchmarks.chord_mixes import (
    Floats,
    RealMix,
    at_analysis_rate,
    real_mix,
    recorded,
    source_pitches,
    with_piano,
)
from tests.benchmarks.real_sound import RATE, RealSound
from tests.benchmarks.written_onsets import score_onsets

INSIDE_S, EDGE_S = 0.05, 0.03
FOUND_S, HEARD_S = 0.035, 0.45
RINGS_DB = 8.0
CONDITIONS: dict[str, tuple[str, float | None, float | None]] = {
    "clean": ("full", None, None),
    "full 20 dB": ("full", 20.0, None),
    "full 10 dB": ("full", 10.0, None),
    "acoustic 20 dB": ("acoustic", 20.0, None),
    "acoustic 10 dB": ("acoustic", 10.0, None),
    "piano +12 dB": ("electrical", 20.0, 12.0),
    "piano +6 dB": ("electrical", 20.0, 6.0),
    "piano 0 dB": ("electrical", 20.0, 0.0),
}
OF_OTHERS = ("clean", "acoustic 20 dB", "acoustic 10 dB", "piano +6 dB")


@dataclass
class Tally:
    """Counts of one condition."""

    notes: int = 0
    found: int = 0
    said: int = 0
    right: int = 0
    octaves: int = 0
    octaves_found: int = 0
    several: int = 0
    several_said: int = 0
    several_right: int = 0
    claims: list[tuple[str, float]] = field(default_factory=list)
    above: list[tuple[bool, float]] = field(default_factory=list)
    cents: list[float] = field(default_factory=list)

    @property
    def several_f(self) -> float:
        """F measure of frames with two or more bowed."""
        return 2.0 * self.several_right / max(self.several + self.several_said, 1)


def no_correction(at: Floats) -> Floats:
    """Pitch as it is."""
    return np.zeros(np.shape(at))


def score_mix(mix: RealMix, instrument: str, tally: Tally, *, alone: bool) -> float:
    """Add one mix to the counts; the CPU seconds that it took."""
    board = fingerboard(instrument)
    began = time.process_time()
    sounding = which_sound(mix.samples, instrument=instrument)
    chords = chords_of(mix.samples, sounding, board=board, correction=no_correction, alone=alone)
    spent = time.process_time() - began
    notes = notes_of(sounding, board=board, midi=midi_of_bins(sounding.bins))
    midi, bowed = _said_midi(notes, len(sounding.bins))
    time_s = np.arange(len(midi)) * HOP_S
    count = np.zeros(len(midi), dtype=int)
    truth: list[tuple[Any, Any, bool]] = []
    edge = np.zeros(len(midi), dtype=bool)
    for note in mix.notes:
        on = (time_s > note.onset_s) & (time_s < note.end_s)
        count += on
        curve = np.interp(time_s, note.curve_s + np.arange(note.hz.size) * FINE_S, 69 + 12 * np.log2(note.hz / 440))
        truth.append((on, curve, note.octave))
        for at in (note.onset_s, note.end_s):
            edge |= np.abs(time_s - at) < INSIDE_S
    for on, curve, octave in truth:
        looked = on & (count >= 2) & ~edge
        hit = np.any((np.abs(midi - curve[:, None]) < 0.5) & bowed, axis=1)
        if octave:
            tally.octaves += int(looked.sum())
            tally.octaves_found += int((looked & hit).sum())
        else:
            tally.notes += int(looked.sum())
            tally.found += int((looked & hit).sum())
    inside = (count >= 2) & ~edge
    right = np.zeros(midi.shape, dtype=bool)
    for on, curve, _ in truth:
        right |= on[:, None] & (np.abs(midi - curve[:, None]) < 0.5)
    tally.said += int((bowed & inside[:, None]).sum())
    tally.right += int((bowed & right & inside[:, None]).sum())
    said = bowed.sum(axis=1) >= 2
    tally.several += int((count >= 2).sum())
    tally.several_said += int(said.sum())
    tally.several_right += int((said & (count >= 2)).sum())
    _score_chords(mix, chords, tally)
    return spent


def _said_midi(notes: list[Note], frames: int) -> tuple[Floats, Any]:
    """Pitches (frames, 6) said in each frame, and which are there."""
    midi, there = np.full((frames, 6), np.nan), np.zeros((frames, 6), dtype=bool)
    for note in notes:
        places = np.interp(
            np.arange(note.bins.size), np.flatnonzero(np.isfinite(note.bins)), note.bins[np.isfinite(note.bins)]
        )
        for frame, place in zip(range(note.first, note.last), places, strict=True):
            free = np.flatnonzero(~there[frame])
            if free.size:
                midi[frame, free[0]] = float(midi_of_bins(place))
                there[frame, free[0]] = True
    return midi, there


def _score_chords(mix: RealMix, chords: list[Chord], tally: Tally) -> None:
    """Claims of later strings against the onsets of the notes by themselves, and the curves."""
    for number in {note.chord for note in mix.notes}:
        own = [note for note in mix.notes if note.chord == number]
        if len(own) < 2:
            continue
        first_s = min(note.onset_s for note in own)
        near = [c for c in chords if abs(c.start_s - first_s) < 0.15]
        if not near:
            continue
        chord = min(near, key=lambda c: abs(c.start_s - first_s))
        for note in own:
            found = [i for i, n in enumerate(chord.notes) if abs(n.measures.midi - note.midi) < 0.5]
            if not found:
                continue
            i = found[0]
            told = [k for k, n in enumerate(chord.notes) if np.isfinite(chord.order.later_s[k])]
            if len(told) > 1 and i in told:
                firsts = [
                    m
                    for m in own
                    if any(
                        abs(chord.notes[k].measures.midi - 69 - 12 * np.log2(float(np.median(m.hz)) / 440)) < 0.5
                        for k in told
                    )
                ]
                tally.claims.append((chord.order.sounds_later[i], note.onset_s - min(m.onset_s for m in firsts)))
            there = [is_above(other.midi - note.midi) for other in own if min(other.end_s, note.end_s) - first_s > 0.15]
            named = any(is_above(n.measures.midi - note.midi) for n in chord.notes)
            tally.above.append((any(there), 1.0 if named else chord.notes[i].octave_probability))
            curve = chord.notes[i]
            sure = (
                (curve.time_s > note.onset_s + 0.06)
                & (curve.time_s < note.end_s - 0.05)
                & np.isfinite(curve.error_cents)
            )
            if note.level_db >= -10.0 and sure.any() and curve.own:
                alone = np.interp(curve.time_s[sure], note.curve_s + np.arange(note.hz.size) * FINE_S, note.hz)
                tally.cents += list(np.abs(100 * (curve.midi[sure] - 69) - 1200 * np.log2(alone / 440)))


def mixes(
    notes: dict[int, Any], piano: dict[int, Any], instrument: str, condition: str, count: int
) -> Iterator[RealMix]:
    """Mixes of one condition."""
    band, snr_db, piano_db = CONDITIONS[condition]
    own = at_analysis_rate(notes)
    tuned = source_pitches(own)
    for seed in range(count):
        mix = real_mix(own, tuned, instrument=instrument, seed=seed, length_s=25.0)
        if piano_db is not None:
            mix = with_piano(mix, piano, below_db=piano_db, seed=seed)
        yield recorded(mix, band=band, snr_db=snr_db, seed=seed)


def score_single_lines(notes: dict[int, Any], piano: dict[int, Any], instrument: str, count: int) -> None:
    """Print how often single notes strung together over a piano are called a chord, and a string late."""
    for below_db in (12.0, 6.0):
        minutes, long, later = 0.0, 0, 0
        for style, seed in product(("legato", "detache", "slow"), range(count)):
            line = real_sound.bowed(
                notes, style=style, seed=seed, length_s=30.0, name=instrument, instrument=instrument
            )
            mix = RealMix(np.asarray(at_rate(line.samples, sample_rate_hz=RATE), dtype=np.float32), ())
            mix = with_piano(mix, piano, below_db=below_db, seed=seed)
            sound = recorded(mix, band="electrical", snr_db=20.0, seed=seed).samples
            sounding = which_sound(sound, instrument=instrument)
            board = fingerboard(instrument)
            chords = chords_of(sound, sounding, board=board, correction=no_correction, alone=False)
            minutes += line.length_s / 60.0
            long += sum(c.end_s - c.start_s > 0.2 for c in chords)
            later += sum(c.order.sounds_later.count("yes") for c in chords)
        print(
            f"{instrument}, single notes over a piano {below_db:.0f} dB under them, {minutes:.0f} minutes:"
            f" chords over 200 ms {long / minutes:.1f} a minute, 'later' said {later}",
            flush=True,
        )


def show(name: str, tally: Tally, cost: float) -> None:
    """One line of the table of mixes, and one of claims."""
    later = [delay for said, delay in tally.claims if said == "yes"]
    none = [delay for said, delay in tally.claims if said == "no"]
    right = np.mean([delay > 0.02 for delay in later]) if later else np.nan
    bands = ((0.03, 0.05), (0.05, 0.07), (0.07, 0.09), (0.09, 0.15), (0.15, 0.4))
    found = [
        (sum(a <= d < b and s == "yes" for s, d in tally.claims), sum(a <= d < b for _, d in tally.claims))
        for a, b in bands
    ]
    cents = np.quantile(tally.cents, (0.5, 0.9)) if tally.cents else (np.nan, np.nan)
    print(
        f"{name:22} notes P {tally.right / max(tally.said, 1):.3f} R {tally.found / max(tally.notes, 1):.3f}"
        f"  octaves R {tally.octaves_found / max(tally.octaves, 1):.2f} of {tally.octaves}"
        f"  two or more: P {tally.several_right / max(tally.several_said, 1):.3f}"
        f" R {tally.several_right / max(tally.several, 1):.3f} F {tally.several_f:.3f}"
        f"  curve {cents[0]:.1f}/{cents[1]:.1f} cents  CPU {cost:.4f} s/s"
    )
    print(
        f"{'':22} 'later' said {len(later)}, right {right:.3f}; 'no' said {len(none)},"
        f" under 40 ms {np.mean([d < 0.04 for d in none]) if none else np.nan:.3f};"
        f" found of 30-50, 50-70, 70-90, 90-150, over 150 ms: {', '.join(f'{a}/{b}' for a, b in found)}"
    )
    under, without = (np.array([p for there, p in tally.above if there == wanted]) for wanted in (True, False))
    if under.size and without.size:
        least = float(np.quantile(without, 0.95))
        print(
            f"{'':22} octaves above a note: {np.mean(under > least):.2f} of {under.size} at 5 % false"
            f" of {without.size}; from {POSSIBLE} on {np.mean(under >= POSSIBLE):.2f}"
            f" at {np.mean(without >= POSSIBLE):.3f}",
            flush=True,
        )


@dataclass
class Written:
    """Counts of one recording by how many notes begin together."""

    found: int = 0
    written: int = 0
    whole: int = 0
    chords: int = 0
    wrong: int = 0


def score_recording(sound: RealSound) -> None:
    """Print what is found of the written notes of one recording."""
    assert sound.notes is not None
    listed, board = sound.notes, fingerboard("violin")
    samples = at_rate(sound.samples, sample_rate_hz=RATE)
    sounding = which_sound(samples, instrument="violin")
    first = (sounding.bins[:, 0] >= 0) & (sounding.bowed[:, 0] > 0.5)
    turn = np.mean(np.exp(2j * np.pi * midi_of_bins(sounding.bins[first, 0])))
    tuning = float(np.angle(turn) / (2 * np.pi))

    def tuned(at: Floats) -> Floats:
        return np.full(np.shape(at), -tuning)

    notes = notes_of(sounding, board=board, midi=midi_of_bins(sounding.bins) - tuning)
    midi, there = _said_midi(notes, len(sounding.bins))
    midi -= tuning
    shifts = np.arange(-0.1, 0.11, 0.01)
    shift = float(shifts[int(np.argmax([_met(listed, midi, there, s) for s in shifts]))])
    chords = chords_of(samples, sounding, board=board, correction=tuned)
    long = sum(c.end_s - c.start_s > 0.2 for c in chords)
    minutes = sound.length_s / 60.0
    print(
        f"{sound.name}, {sound.length_s:.0f} s: shift {shift:+.2f} s, tuning {100 * tuning:+.0f} cents;"
        f" {len(chords) / minutes:.1f} chords a minute, over 200 ms {long / minutes:.1f}"
    )
    by_count: dict[int, Written] = defaultdict(Written)
    onsets = np.unique(np.round(listed[:, 0], 3))
    for onset in onsets:
        own = listed[np.abs(listed[:, 0] - onset) < 0.005]
        start = onset + shift
        end = min(start + HEARD_S, float(own[:, 1].max()) + shift)
        span = slice(max(int(start / HOP_S), 0), int(end / HOP_S) + 1)
        if end / HOP_S > len(midi):
            continue
        row = by_count[len(own)]
        heard = [
            int(((np.abs(midi[span] - p) < 0.5) & there[span]).any(axis=1).sum()) * HOP_S >= FOUND_S for p in own[:, 2]
        ]
        row.found, row.written = row.found + sum(heard), row.written + len(own)
        row.whole, row.chords = row.whole + all(heard), row.chords + 1
        near = listed[(listed[:, 0] + shift < end + 0.1) & (listed[:, 1] + shift > start - 0.35), 2]
        said = midi[span][there[span]]
        wrong = np.round(said[np.min(np.abs(said[:, None] - near), axis=1) > 0.7]) if said.size else said
        row.wrong += int(sum(n * HOP_S > 0.04 for n in np.unique(wrong, return_counts=True)[1]))
    for count, row in sorted(by_count.items()):
        print(
            f"    {count} at once: {row.found} of {row.written} notes, {row.whole} of {row.chords} whole,"
            f" wrong notes {row.wrong / row.chords:.2f}"
        )
    score_onsets(sound, notes, chords, shift, tuning)
    _score_line(sound, shift, tuning)
    rules = [c.order.bow_rule for c in chords if len(c.notes) >= 3 and all(n.fresh for n in c.notes)]
    orders = [c.order.breaking for c in chords if len(c.notes) >= 3]
    print(
        f"    bow rule, fresh chords of three and more: kept {rules.count('kept')}, broken {rules.count('broken')},"
        f" cannot tell {rules.count('cannot_tell')}; breaking { ({o: orders.count(o) for o in sorted(set(orders))}) }",
        flush=True,
    )


def _met(listed: Floats, midi: Floats, there: Any, shift: float) -> float:
    """Share of the frames of listed notes in which they are said."""
    met = whole = 0
    for start, end, pitch in listed:
        span = slice(max(int((start + shift) / HOP_S), 0), int((end + shift) / HOP_S))
        met += int(((np.abs(midi[span] - pitch) < 0.5) & there[span]).any(axis=1).sum())
        whole += max(span.stop - span.start, 0)
    return met / max(whole, 1)


def _score_line(sound: RealSound, shift: float, tuning: float) -> None:
    """In which share of the frames where one note is written the line is on the one before, and only rings.

    It only rings where it is ``RINGS_DB`` under what it was; a note as loud as before is still bowed, and the list
    early. What is found to ring is not counted.
    """
    assert sound.notes is not None
    line = follow(sound.samples, sample_rate_hz=RATE, instrument="violin")
    found = find_notes_and_slides(
        line,
        speed_map=SpeedMap.constant(correction_cents=0.0, length_s=sound.length_s),
        reference_pitch_hz=440.0 * 2 ** (tuning / 12),
        spans=None,
    )
    counted = ~_within(line.time_s, found.ringing)
    midi = 69 + 12 * np.log2(line.f0_hz / 440) - tuning
    whole, on_old, rings, left = 0, 0, 0, 0
    listed = sound.notes[np.argsort(sound.notes[:, 0])]
    for before, (start, end, pitch) in pairwise(listed):
        alone = np.sum((listed[:, 0] < end - 0.02) & (listed[:, 1] > start + 0.02)) == 1
        if not alone or abs(before[2] - pitch) < 0.5:
            continue
        inside = (line.time_s > start + shift + EDGE_S) & (line.time_s < end + shift - EDGE_S)
        on = np.abs(midi - before[2]) < 0.5
        own = on & (line.time_s > before[0] + shift) & (line.time_s < start + shift)
        soft = line.level_db < (np.median(line.level_db[own]) - RINGS_DB if own.any() else -np.inf)
        whole += int(inside.sum())
        on_old += int((inside & on).sum())
        rings += int((inside & on & soft).sum())
        left += int((inside & on & soft & counted).sum())
    playing = (line.time_s >= sound.playing[0]) & (line.time_s < sound.playing[1])
    print(
        f"    line on the note before: {on_old / max(whole, 1):.3f} of {whole} frames,"
        f" where it only rings {rings / max(whole, 1):.3f}, counted of these {left / max(whole, 1):.3f};"
        f" found to ring: {np.mean(~counted[playing]):.4f} of the playing"
    )


def _within(time_s: Floats, spans: Sequence[tuple[float, float]]) -> Any:
    inside = np.zeros(time_s.size, dtype=bool)
    for start, end in spans:
        inside |= (time_s >= start) & (time_s < end)
    return inside


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.chords")
    parser.add_argument("--folder", type=Path, required=True)
    apart = ("violin", "viola")
    for name in apart:
        parser.add_argument(f"--{name}", type=Path)
    parser.add_argument("--quick", action="store_true")
    given = parser.parse_args()
    count, most_s = (1, 40.0) if given.quick else (4, 110.0)
    piano = real_sound.single_notes(given.folder / "piano")
    folders = {name: getattr(given, name) for name in apart} | {"cello": given.folder / "cello_notes"}
    sources = {name: folder for name, folder in folders.items() if folder is not None}
    for instrument, folder in sources.items():
        notes = real_sound.single_notes(folder)
        for condition in CONDITIONS if instrument == "violin" else OF_OTHERS:
            tally, spent = Tally(), 0.0
            for mix in mixes(notes, piano, instrument, condition, count):
                spent += score_mix(mix, instrument, tally, alone=CONDITIONS[condition][2] is None)
            show(f"{instrument}, {condition}", tally, spent / (25.0 * count))
        score_single_lines(notes, piano, instrument, count)
    for read in real_sound.movements(given.folder, most_s=most_s):
        score_recording(read())


if __name__ == "__main__":
    main()
