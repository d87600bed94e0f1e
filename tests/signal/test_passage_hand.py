"""Whole passages with known fingerings: calibration, honest sets, anchors, N best paths, and what no hand can do."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hand_passages import chosen, handbook, handbook_names, judged_names, melody
from hand_played import Played, Score, from_plan, play, score
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.settings import HandSettings
from pipeline.signal.hand.chain import Slides
from pipeline.signal.hand.fingerboard import HARMONICS, fingerboard, offsets
from pipeline.signal.hand.passage import Line, reconstruct
from pipeline.signal.slides.kinds import KINDS
from pipeline.signal.synth.plans import random_plan, random_player
from pipeline.steps.hand.rows import costs_of, habits_of

COSTS = costs_of(HandSettings())
HABITS = habits_of(HandSettings())
NONE = Slides(np.zeros((0, 6)), *(np.zeros(0) for _ in range(5)))


def _line(midi: list[float], *, vibrato: float = np.nan, length_s: float = 0.4) -> Line:
    at = length_s * np.arange(len(midi))
    return Line(
        midi=np.array(midi, dtype=float),
        start_s=at,
        end_s=at + length_s,
        vibrato_cents=np.full(len(midi), vibrato),
        slurred=np.full(len(midi), 0.8),
        slide=np.full(len(midi), -1, dtype=np.int64),
        slides=NONE,
    )


@cache
def _scores(instrument: str, school: str) -> tuple[Score, Score, Score]:
    """Over handbook passages, over random lines as a player chooses their fingers, and over all.

    All has melodies besides whose players know nothing of what comes next, and planned sides.
    """
    rng = np.random.default_rng(20261125)
    names = [*handbook_names(instrument), *judged_names(instrument)] * 3
    scales = [
        play(rng, handbook(rng, instrument=instrument, name=n), instrument=instrument, school=school) for n in names
    ]
    lines = [
        play(rng, chosen(rng, instrument=instrument, notes=90), instrument=instrument, school=school) for _ in range(12)
    ]
    others = [
        play(rng, melody(rng, instrument=instrument, notes=90), instrument=instrument, school=school) for _ in range(9)
    ]
    if school == "starting_finger":
        for _ in range(8):
            player = replace(random_player(rng), shift_share=0.0)
            plan = random_plan(
                rng,
                instrument=instrument,
                length_s=40.0,
                reference_pitch_hz=440.0,
                kind_shares={"departing_finger": 0.5, "same_finger": 0.5},
                player=player,
            )
            others.append(from_plan(rng, plan))

    def scored(played: list[Played]) -> Score:
        board = fingerboard(instrument)
        return score(
            played, [reconstruct(p.line, board=board, costs=COSTS, habits=HABITS, paths=1).probability for p in played]
        )

    return scored(scales), scored(lines), scored(scales + lines + others)


@pytest.mark.slow
@pytest.mark.parametrize("instrument", ["violin", "cello"])
def test_with_slides_answers_are_right_and_calibrated(instrument: str) -> None:
    scales, lines, everything = _scores(instrument, "starting_finger")
    assert scales.right_after_shift >= 0.85
    assert lines.right_after_shift >= 0.85
    assert everything.notes > 2000
    assert everything.calibration_error <= 0.1
    assert lines.calibration_error <= 0.1
    assert everything.in_set >= 0.9


@pytest.mark.slow
@pytest.mark.parametrize("instrument", ["violin", "cello"])
def test_without_slides_the_set_holds_the_truth_and_is_wide(instrument: str) -> None:
    for found in _scores(instrument, "silent"):
        assert found.in_set >= 0.9
        assert found.set_size > 2.5


def test_an_open_string_anchors_its_string() -> None:
    # G3 can only be the open G string; a long E5 without vibrato among vibrated notes is the open E string.
    found = reconstruct(_line([55.0, 57.0, 59.0, 60.0]), board=fingerboard("violin"), costs=COSTS, habits=HABITS)
    assert found.probability[0, 0, 0] > 0.99
    line = _line([71.0, 73, 74, 76, 78, 79, 81], vibrato=25.0, length_s=0.6)
    line.vibrato_cents[3] = np.nan
    found = reconstruct(line, board=fingerboard("violin"), costs=COSTS, habits=HABITS)
    assert found.probability[3, 3, 0] > 0.5
    line.vibrato_cents[3] = 25.0
    assert reconstruct(line, board=fingerboard("violin"), costs=COSTS, habits=HABITS).probability[3, 3, 0] < 0.2


def test_a_large_slurred_shift_unheard_is_unlikely_for_a_player_whose_shifts_are_heard() -> None:
    rng = np.random.default_rng(3)
    notes = handbook(rng, instrument="violin", name="E major on the A string")
    heard = play(rng, notes, instrument="violin", school="starting_finger").line
    silent = replace(heard, slide=np.full(heard.slide.size, -1))
    board = fingerboard("violin")
    one = reconstruct(heard, board=board, costs=COSTS, habits=HABITS)
    other = reconstruct(silent, board=board, costs=COSTS, habits=HABITS)
    shifts = heard.slide >= 0
    assert one.chance[shifts].mean() > 1.5 * other.chance[shifts].mean()


def test_a_rising_slide_into_a_note_with_no_lower_note_before_it_tells_of_a_shift() -> None:
    # Worked case, common practice: the finger comes up from below a note that follows a higher one.
    line = _line([81.0, 79.0, 78.0, 83.0, 81.0, 79.0])
    line.slurred[:] = 0.2
    into = np.full((1, 6), 0.02)
    into[0, KINDS.index("into_note")] = 0.9
    slide = Slides(into, *(np.array([x]) for x in (74.0, 78.0, np.nan, np.nan, 0.95)))
    at = np.where(np.arange(6) == 2, 0, -1)
    board = fingerboard("violin")
    plain = reconstruct(line, board=board, costs=COSTS, habits=HABITS)
    told = reconstruct(replace(line, slide=at, slides=slide), board=board, costs=COSTS, habits=HABITS)
    assert told.shifted[2] > 0.5 > plain.shifted[2]


def test_paths_are_ranked_and_begin_with_the_best() -> None:
    found = reconstruct(_line([71.0, 73, 74, 76, 78]), board=fingerboard("violin"), costs=COSTS, habits=HABITS, paths=4)
    assert np.all(np.diff(found.path_logs) <= 0)
    assert len({tuple(map(tuple, path)) for path in found.paths}) == 4


def test_best_paths_agree_with_trying_all() -> None:
    from itertools import product

    from pipeline.signal.hand import chain

    rng = np.random.default_rng(5)
    begins = np.array([0, 3, 7, 9])
    weights = rng.uniform(0.1, 1.0, 9)
    pairs = rng.uniform(0.1, 1.0, 12 + 8)
    pair_begins = np.array([0, 12, 20])
    paths, logs = chain.best_paths(begins, weights, pairs, pair_begins, count=5)
    every = {}
    for a, b, c in product(range(3), range(4), range(2)):
        weight = weights[a] * pairs[a * 4 + b] * weights[3 + b] * pairs[12 + b * 2 + c] * weights[7 + c]
        every[a, 3 + b, 7 + c] = np.log(weight)
    best = sorted(every.items(), key=lambda item: -item[1])[:5]
    assert [tuple(p) for p in paths.tolist()] == [path for path, _ in best]
    np.testing.assert_allclose(logs, [value for _, value in best], atol=1e-9)
    ways = chain.forward_backward(begins, weights, pairs, pair_begins)
    total = sum(np.exp(v) for v in every.values())
    for candidate in range(9):
        share = sum(np.exp(v) for path, v in every.items() if candidate in path) / total
        assert abs(ways.chance[candidate] - share) < 1e-12


def test_a_rest_cuts_and_nothing_is_said_of_the_shift_across_it() -> None:
    line = _line([71.0, 73.0, 74.0, 76.0])
    line.start_s[2:] += 10.0
    line.end_s[2:] += 10.0
    found = reconstruct(line, board=fingerboard("violin"), costs=COSTS, habits=HABITS)
    assert np.isnan(found.shifted[[0, 2]]).all()
    assert np.isfinite(found.shifted[[1, 3]]).all()


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(("violin", "viola", "cello")),
    st.lists(st.floats(30.0, 105.0), min_size=1, max_size=12),
)
@example("cello", [36.0, 87.0])  # above all that a finger reaches, below a hand that ends there
def test_every_answer_is_possible(instrument: str, midi: list[float]) -> None:
    board = fingerboard(instrument)
    found = reconstruct(_line(midi), board=board, costs=COSTS, habits=HABITS, paths=2)
    for i, pitch in enumerate(midi):
        total = found.probability[i].sum()
        assert total == 0.0 or abs(total - 1.0) < 1e-6
        for string, finger in np.argwhere(found.probability[i] > 0):
            above = pitch - board.open_midi[string]
            assert above > -0.71
            place = int(found.place[i, string, finger])
            assert 1 <= place <= board.highest_place
            sounding = [n for n in range(60) if abs(above - n) < 0.71]
            if finger == 0:
                assert 0 in sounding
                continue
            touched = [at for n in sounding for at in HARMONICS.get(n, ())]
            # A place in which the finger could only touch a harmonic is given only where it stops nothing.
            stopped = sounding if found.harmonic[i, string, finger] < 1.0 else touched
            assert any(at - place in offsets(board, place=place, finger=finger) for at in stopped)
        string, finger, place = found.paths[0, i]
        assert total == 0.0 or found.probability[i, string, finger] > 0.0


def test_a_player_who_does_not_look_ahead_is_not_moved_by_what_comes_later() -> None:
    from pipeline.signal.hand import chain, no_lookahead, passage
    from pipeline.signal.hand.playability import scale_membership

    board = fingerboard("violin")
    line = _line([71.0, 73, 74, 76, 78, 79, 81, 83, 86, 88])
    table = passage.arrays(board, COSTS, in_scale=scale_membership(line.midi))

    def marginals(notes: int) -> tuple[np.ndarray, np.ndarray]:
        midi = line.midi[:notes]
        stops = chain.gather(COSTS, table, midi, np.full(notes, np.nan), 0.5)
        slide = np.full(notes - 1, -1)
        links = chain.Links(np.full(notes - 1, 0.4), np.zeros(notes - 1), slide + 1.0, np.diff(midi), slide)
        moves = chain.moves(COSTS, table, stops.begins, stops.stops, links, NONE)
        weights, _ = chain.note_weights(stops.begins, stops.liking + stops.sound)
        pairs = no_lookahead.choices(COSTS, table, stops, moves, weights, 1.0, 1.0)
        for t in range(notes - 1):
            shape = (stops.begins[t + 1] - stops.begins[t], stops.begins[t + 2] - stops.begins[t + 1])
            rows = pairs[moves.begins[t] : moves.begins[t + 1]].reshape(shape)
            np.testing.assert_allclose(rows @ weights[stops.begins[t + 1] : stops.begins[t + 2]], 1.0)
        ways = chain.forward_backward(stops.begins, weights, pairs, moves.begins)
        return ways.chance, stops.begins

    short, begins = marginals(5)
    long, _ = marginals(10)
    np.testing.assert_allclose(long[: begins[5]], short, atol=1e-9)
