"""The learned hand: its likelihood's gradient, its record, and that sliding is not taken for shifting."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pipeline.errors import DataError
from pipeline.signal.hand import weights
from pipeline.signal.hand.features import MOVE_NAMES, STOP_NAMES, scale_membership
from pipeline.signal.hand.fingerboard import double_stops, fingerboard, position_number, stops
from pipeline.signal.hand.passage import reconstruct
from pipeline.signal.hand.weights import School, of_players
from pipeline.training import fingers
from pipeline.training.exercises import PLAYER, exercises
from pipeline.training.finger_likelihood import SIZE, Likelihood
from pipeline.training.fingerings import read_fingerings
from pipeline.training.fingers import SET_HOLDS, enough_mass, held_out
from tests.helpers.fingered_passages import handbook, handbook_names, judged_names
from tests.helpers.played_passages import Played, play

HEADER = "pitch,start,duration,beat_type,string,position,finger\n"
# B4 C#5 D5 E5 F#5 G5 as two players might take them: in first position, and up the A string.
FIRST = "71,0,1,4,3,1,1\n73,1,1,4,3,1,2\n74,2,0.5,4,3,1,3\n76,2.5,1,4,0,1,0\n78,3,1,4,4,1,1\n79,0,1,4,4,1,2\n"
UP = "71,0,1,4,3,1,1\n73,1,1,4,3,1,2\n74,2,0.5,4,3,3,1\n76,2.5,1,4,3,3,2\n78,3,1,4,3,3,3\n79,0,1,4,3,3,4\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two players of one piece."""
    made = tmp_path_factory.mktemp("fingerings")
    for player, rows in (("one", FIRST), ("two", UP)):
        (made / f"{player}_air.csv").write_text(HEADER + rows)
    return made


def test_fingerings_are_read_with_the_place_of_the_hand(folder: Path) -> None:
    one, two = read_fingerings(folder)
    assert (one.player, two.player, one.piece) == ("one", "two", "air")
    assert one.string.tolist() == [2, 2, 2, 3, 3, 3]  # the open E by its pitch
    assert one.place.tolist() == [2, 2, 2, -1, 2, 2]
    assert two.place.tolist() == [2, 2, 5, 5, 5, 5]  # third position stands a fourth up the string
    assert one.length_s.tolist() == [0.5, 0.5, 0.25, 0.5, 0.5, 0.5]
    assert not one.misread().any()


def test_a_folder_without_fingerings_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"no file PLAYER_PIECE\.csv"):
        read_fingerings(tmp_path)
    (tmp_path / "one_air.csv").write_text("pitch,finger\n71,1\n")
    with pytest.raises(DataError, match="no column duration, string, position"):
        read_fingerings(tmp_path)


def test_the_gradient_is_the_slope_of_the_likelihood(folder: Path) -> None:
    likelihood = Likelihood(read_fingerings(folder))
    takes = [("one", "air"), ("two", "air")]
    rng = np.random.default_rng(4)
    at = rng.normal(0.0, 0.3, SIZE)
    value, slope = likelihood.value(at, takes=takes)
    assert value < 0.0
    assert np.count_nonzero(slope) > 40
    for k in rng.choice(np.flatnonzero(slope), 12, replace=False):
        step = np.zeros(SIZE)
        step[k] = 1e-5
        up, down = (likelihood.value(at + way, takes=takes)[0] for way in (step, -step))
        assert (up - down) / 2e-5 == pytest.approx(slope[k], abs=1e-5)


def test_a_fingering_drawn_from_the_model_is_one_of_its_own(folder: Path) -> None:
    """Shares of drawn fingerings meet the posterior of each candidate within their error of sampling."""
    likelihood = Likelihood(read_fingerings(folder))
    at, rng = np.random.default_rng(5).normal(0.0, 0.3, SIZE), np.random.default_rng(6)
    piece = likelihood.pieces["air"]
    posterior = likelihood.posterior(at, "air")
    drawn = np.array([likelihood.drawn(at, "air", rng) for _ in range(400)])
    share = np.mean(drawn[:, piece.owner] == piece.stops[None, :], axis=0)
    error = np.sqrt(posterior * (1.0 - posterior) / 400)
    assert np.all(np.abs(share - posterior) <= 5.0 * error + 0.005)


def test_shifts_that_are_heard_tell_one_player_from_the_other(folder: Path) -> None:
    likelihood = Likelihood(read_fingerings(folder))
    piece = likelihood.pieces["air"]
    # The first stays in position; the second shifts along the A string from C sharp to D, the third note.
    assert piece.travelled["one"].tolist() == [0, 0, 0, 0, 0]
    assert piece.travelled["two"].tolist() == [0, 1, 0, 0, 0]
    at = np.zeros(SIZE)
    shares = {}
    for heard_of in ("one", "two"):
        chance = likelihood.posterior(at, "air", heard_of=heard_of)
        shares[heard_of] = [
            float(chance[piece.allowed[player] & (piece.owner == 2)].sum()) for player in ("one", "two")
        ]
    # With all weights at nought every way is as likely as any other, and a hundred are open to each note.
    assert shares["two"][1] > shares["one"][1]
    assert shares["one"][0] > shares["two"][0]


def test_what_judges_a_take_has_learned_nothing_of_its_player_or_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The weights for a player's air are the same however that player fingers it or another piece."""
    monkeypatch.setattr(fingers, "ITERATIONS", 3)
    found = []
    for own in (FIRST, UP):
        for take, rows in (("one_air", own), ("one_tune", own), ("two_air", UP), ("two_tune", FIRST)):
            (tmp_path / f"{take}.csv").write_text(HEADER + rows)
        fingerings = read_fingerings(tmp_path)
        held, _ = held_out(fingerings, Likelihood(fingerings))
        found.append({take: weights for take, (weights, _) in held.items()})
    for piece in ("air", "tune"):
        np.testing.assert_array_equal(found[0]["one", piece], found[1]["one", piece])
        assert np.abs(found[0]["two", piece] - found[1]["two", piece]).max() > 1e-3


@pytest.mark.parametrize("instrument", ["violin", "cello"])
def test_exercises_can_be_played_and_are_none_of_the_passages_that_judge(instrument: str) -> None:
    made = exercises(instrument)
    likelihood = Likelihood(made)
    value, _ = likelihood.value(np.zeros(SIZE), takes=[(PLAYER, piece) for piece in likelihood.pieces])
    assert np.isfinite(value)
    assert not any(each.misread().any() for each in made)
    rng = np.random.default_rng(1)
    names = [*handbook_names(instrument), *judged_names(instrument)]
    judges = [handbook(rng, instrument=instrument, name=name) for name in names]
    told = {tuple((note.midi, note.finger) for note in notes) for notes in judges}
    assert not told & {tuple(zip(each.midi.tolist(), each.finger.tolist(), strict=True)) for each in made}


def test_weights_of_other_features_are_refused(tmp_path: Path) -> None:
    record = json.loads(weights.WEIGHTS.read_text(encoding="utf-8"))
    assert len(weights.learned()) == len(record["kinds"])
    assert sum(kind["share"] for kind in record["kinds"]) == pytest.approx(1.0, abs=0.001)
    record["moves"] = record["moves"][::-1]
    path = tmp_path / "weights.json"
    path.write_text(json.dumps(record))
    with pytest.raises(ValueError, match="other features"):
        weights.learned(path)


def test_the_mass_learned_gives_sets_that_hold_as_many_of_other_notes() -> None:
    """Truths drawn from flatter chances than answers claim: sets of 90 % claimed hold less, those learned do not."""
    rng = np.random.default_rng(8)
    claimed = rng.dirichlet(np.full(20, 0.15), size=8000)
    real = np.sqrt(claimed)
    real /= real.sum(axis=1, keepdims=True)
    truth = (rng.random((8000, 1)) > real.cumsum(axis=1)).sum(axis=1)
    truth[:50] = -1  # nothing is known of these

    def likelihood(own: np.ndarray) -> Any:
        return SimpleNamespace(pieces={"air": SimpleNamespace(truth={"one": own})})

    def holds(mass: float) -> float:
        q, played = claimed[4000:], truth[4000:]
        rank = (q > q[np.arange(4000), played][:, None]).sum(axis=1)
        return float(np.mean(rank < weights.answers_in_set(q, mass)))

    mass = enough_mass({("one", "air"): claimed[:4000]}, likelihood(truth[:4000]))
    assert holds(0.9) < 0.87
    # Two samples of 4,000 each, one to learn from and one to judge: four standard errors.
    assert holds(mass) == pytest.approx(SET_HOLDS, abs=4.0 * np.sqrt(2 * SET_HOLDS * (1.0 - SET_HOLDS) / 4000))


def test_a_set_has_at_least_one_answer_and_no_more_than_it_needs() -> None:
    probability = np.array([[0.1, 0.7, 0.2], [0.98, 0.02, 0.0], [0.0, 0.0, 0.0]])
    assert weights.answers_in_set(probability, 0.9).tolist() == [2, 1, 1]
    assert weights.answers_in_set(probability, 0.7).tolist() == [1, 1, 1]


def test_a_school_adds_to_the_learned_weights() -> None:
    plain = of_players("violin")[0]
    one_string = of_players("violin", School(2.0, 0.0, 0.0, 0.0, 0.0, 0.0))[0]
    crossing = [MOVE_NAMES.index(name) for name in ("next_string", "two_strings", "three_strings")]
    np.testing.assert_allclose(one_string.move[crossing], plain.move[crossing] - 2.0)
    np.testing.assert_array_equal(one_string.stop, plain.stop)
    # Of the others less is known: the viola's and the cello's players hold to the weights less strictly.
    at = STOP_NAMES.index("finger_4")
    cello, viola = (of_players(each)[0].stop_by_time[at] for each in ("cello", "viola"))
    assert abs(cello) < abs(viola) < abs(plain.stop_by_time[at])


def test_the_scale_follows_the_music() -> None:
    # G major for forty notes, then A flat major: F sharp belongs to the first, A flat to the second (common practice).
    g_major, a_flat = [67, 69, 71, 72, 74, 76, 78, 79], [68, 70, 72, 73, 75, 77, 79, 80]
    scale = scale_membership(np.array([*g_major * 5, *a_flat * 5], dtype=float))
    assert scale[5, 6] > 0.9 > 0.1 > scale[5, 8]
    assert scale[-5, 8] > 0.9 > 0.1 > scale[-5, 6]


def test_half_position_tenths_and_artificial_harmonics_have_a_way() -> None:
    board = fingerboard("violin")
    # Half position: the second finger a semitone above the open string (common practice).
    half = [s for s in stops(board, string=2, sounding=1) if s.finger == 2]
    assert 0 in [position_number(s.place) for s in half]
    # A tenth G4 to B5 with first and fourth finger in third position (common practice; 99.6 mm).
    tenth = {(a.finger, b.finger, a.place) for a, b in double_stops(board, lower_midi=67, upper_midi=83)}
    assert (1, 4, 5) in tenth
    # First finger on B4 of the A string, fourth touching a fourth above: two octaves higher, B6.
    harmonic = [s for s in stops(board, string=2, sounding=26) if s.harmonic and s.finger == 1]
    assert [s.stop for s in harmonic] == [2]


def _shifts(played: list[Played]) -> float:
    """Shifts told of all takes."""
    board = fingerboard("violin")
    return float(sum(np.nansum(reconstruct(p.line, board=board, paths=1).shifted) for p in played))


@pytest.mark.slow
def test_players_who_shift_alike_and_slide_differently_shift_alike() -> None:
    """Two worlds of the same fingerings, every shift heard in one and none in the other; then the other way round."""
    names = handbook_names("violin")

    def world(school: str, chosen: list[str]) -> list[Played]:
        rng = np.random.default_rng(9)
        return [
            play(rng, handbook(rng, instrument="violin", name=n), instrument="violin", school=school) for n in chosen
        ]

    heard, silent = world("starting_finger", names), world("silent", names)
    truth = sum(int(p.shifted.sum()) for p in heard)
    assert truth == sum(int(p.shifted.sum()) for p in silent) > 30
    assert 0.7 < _shifts(silent) / _shifts(heard) < 1.4
    # Players who slide alike, one of whom shifts: staying in position against the same notes up one string.
    still = [p for p in heard if not p.shifted.any()]
    moving = [replace(p) for p in heard if p.shifted.sum() >= 4]
    assert still
    assert moving
    per_note = [_shifts(part) / sum(p.string.size for p in part) for part in (still, moving)]
    assert per_note[1] > 3.0 * per_note[0]
