"""Found notes laid on a written part: against every path tried one by one, and on takes made from a part."""

import itertools
import math

import numpy as np
import pytest

from pipeline.signal.passages import chain
from pipeline.signal.passages.lay import ROLES, Fit, lay, rounds, times_through
from pipeline.signal.passages.part import MOST_SKIPPED, Part, arrival, graph
from pipeline.signal.passages.rates import AGAIN, EXTRA, PRIOR, SKIPPED, Rates, of_take, usual
from pipeline.signal.passages.weights import UNTIMED, chords, emission, local_beat_s, time_weights

TINY = Part(
    pitches=((60.0,), (62.0, 69.0), (64.0,)),
    beats=np.array([0.0, 1.0, 1.5]),
    end_beat=3.0,
    bar_begins=np.array([True, False, True]),
    ways=((1, 0),),
)


def tiny_edges() -> dict[tuple[int, int], tuple[float, float]]:
    """Ways on in the tiny part, by hand: chance and beats of each, up to the number of events that may be left out."""
    share = [SKIPPED**k for k in range(MOST_SKIPPED + 1)]
    share = [s / sum(share) for s in share]
    # From the second event one goes on to the third or back to the first, each with one half.
    beats_in_turn = {0: 1.0, 1: 0.5, 2: 1.5}
    onward = {0: [1], 1: [2, 0], 2: []}
    edges: dict[tuple[int, int], tuple[float, float]] = {}
    for source in range(3):
        walks = [(source, 1.0, 0.0)]
        for k in range(MOST_SKIPPED + 1):
            walks = [(b, p / len(onward[a]), t + beats_in_turn[a]) for a, p, t in walks for b in onward[a]]
            for b, p, t in walks:
                chance, beats = edges.get((source, b), (0.0, t))
                edges[source, b] = (chance + share[k] * p, beats)
    return edges


def test_ways_on_are_those_of_the_paper() -> None:
    ways = graph(TINY, SKIPPED)
    made = {
        (int(ways.source[e]), i): (ways.chance[e], math.exp(ways.log_beats[ways.apart[e]]))
        for i in range(3)
        for e in range(ways.first[i], ways.first[i + 1])
    }
    expected = tiny_edges()
    assert made.keys() == expected.keys()
    for key, (chance, beats) in expected.items():
        assert made[key] == (pytest.approx(chance, abs=1e-12), pytest.approx(beats, abs=1e-6))


def test_all_paths_tried_one_by_one_give_the_same() -> None:
    """Rabiner 1989, by brute force: 10 states (three layers of three events, and outside), 5 notes, 100,000 paths."""
    midi, start_s = np.array([60.1, 69.0, 60.4, 63.2, 64.0]), np.array([0.0, 0.4, 0.7, 1.3, 1.4])
    own = Rates(np.array([0.1, 0.3, 0.15]), extra=0.05, extra_on=0.2, skipped=SKIPPED)
    ways, come = graph(TINY, own.skipped), arrival(TINY)
    table, chord = chords(TINY)
    heard = emission(midi, table, chord)
    beat_s, layers, outside = np.full(5, 0.5), 3, 9
    times = np.ascontiguousarray(time_weights(start_s, beat_s, ways)[:, :, [0, 1, -1]])
    edges = tiny_edges()
    c = chain

    def extra(j: int, i: int) -> float:
        near = any(abs(midi[j] - p) <= 2.5 for e in (i, min(i + 1, 2)) for p in TINY.pitches[e])
        return 0.5 / 48.0 + 0.1 * near

    def time(j: int, layer: int, beats: float) -> float:
        if layer == 2 or j <= layer:
            return UNTIMED
        r = math.log((start_s[j] - start_s[j - 1 - layer]) / (beat_s[j] * beats))
        return sum(
            w * math.exp(-0.5 * (r / sd) ** 2) / (sd * math.sqrt(2 * math.pi)) for w, sd in ((0.85, 0.25), (0.15, 0.9))
        )

    def beside(j: int, i: int, after_layer: int) -> tuple[float, float]:
        """The event once more, and an extra note."""
        rate = own.extra if after_layer == 0 else own.extra_on
        return own.again[i] * heard.struck[j, chord[i]], rate * extra(j, i)

    def move(j: int, a: int, b: int) -> float:
        i, layer = divmod(b, layers)
        if b == outside:
            return UNTIMED * (c.STAY_OUT if a == outside else c.LEAVE) * heard.outside[j]
        struck = heard.struck[j, chord[i]] * (layer == 0)
        if a == outside:
            return UNTIMED * (1 - c.STAY_OUT) * come[i] * struck
        at, before = divmod(a, layers)
        if layer > 0:
            return UNTIMED * sum(beside(j, i, before)) * (i == at and layer == min(before + 1, 2))
        chance = UNTIMED * c.JUMP * come[i]
        if (at, i) in edges:
            rate = own.extra if before == 0 else own.extra_on
            on = 1.0 - own.again[at] - rate - c.JUMP - c.LEAVE
            chance += edges[at, i][0] * on * time(j, before, edges[at, i][1])
        return float(chance * struck)

    def begin(s: int) -> float:
        i, layer = divmod(s, layers)
        if s == outside:
            return c.BEGINS_OUTSIDE * heard.outside[0]
        first = (1 - c.BEGINS_AT_FIRST - c.BEGINS_OUTSIDE) * come[i] + c.BEGINS_AT_FIRST * (i == 0)
        kinds = {0: (1 - own.extra) * heard.struck[0, chord[i]], 2: own.extra * extra(0, i)}
        return float(first * kinds.get(layer, 0.0))

    moves = np.array([[[move(j, a, b) for b in range(10)] for a in range(10)] for j in range(1, 5)])
    total, at, likeliest = 0.0, np.zeros((5, 10)), (0.0, ())
    for path in itertools.product(range(10), repeat=5):
        p = begin(path[0])
        for j in range(1, 5):
            p *= moves[j - 1, path[j - 1], path[j]]
        total += p
        at[range(5), path] += p
        likeliest = max(likeliest, (p, path))
    at /= total
    best = chain.best_path(ways, heard, own, come, times)
    sure = chain.probabilities(ways, heard, own, come, times, best)
    assert tuple(best.state) == likeliest[1]
    assert chain.log_likelihood(ways, heard, own, come, times) == pytest.approx(math.log(total), abs=1e-9)
    assert sure.log_likelihood == pytest.approx(math.log(total), abs=1e-9)

    def shares(j: int, i: int) -> tuple[float, float]:
        """How likely the note is the event, struck or once more; and an extra beside it."""
        is_event, is_extra = at[j, 3 * i], 0.0
        for layer in (1, 2):
            again, more = beside(j, i, layer - 1)
            share = 1.0 if j == 0 else more / (again + more)
            is_event += at[j, 3 * i + layer] * (1.0 - share)
            is_extra += at[j, 3 * i + layer] * share
        return is_event, is_extra

    for j, state in enumerate(best.state):
        held = state // layers if state < outside else -1
        assert best.event[j] == held
        expected = at[j, outside] if held < 0 else shares(j, held)[int(best.is_extra[j])]
        assert sure.probability[j] == pytest.approx(expected, abs=1e-9)
        others = [shares(j, i)[0] if i != held else 0.0 for i in range(3)]
        assert sure.event_probability[j] == pytest.approx(max(others), abs=1e-9)


def test_rates_are_counted_on_the_path_and_drawn_towards_the_rule() -> None:
    """Event 1 is a chord; it sounds once more, then an extra note; event 2 is left out on the way to 3."""
    part = Part(((60.0,), (62.0, 69.0), (64.0,), (65.0,)), np.arange(4.0), 4.0, np.zeros(4, dtype=np.bool_))
    event = np.array([0, 1, 1, 1, 3, -1])
    is_beside = np.array([False, False, True, True, False, False])
    is_extra = np.array([False, False, False, True, False, False])
    own = of_take(part, event, is_beside=is_beside, is_extra=is_extra)
    # Of two single notes none comes again; of three notes of the chord one does.
    single, of_chord = PRIOR * AGAIN / (2 + PRIOR), (1 + PRIOR * AGAIN) / (3 + PRIOR)
    np.testing.assert_allclose(own.again, [single, of_chord, single, single])
    assert own.extra == pytest.approx(PRIOR * EXTRA / (3 + PRIOR))
    odds = (1 + PRIOR * SKIPPED / (1 - SKIPPED)) / (2 + PRIOR)
    assert own.skipped == pytest.approx(odds / (1 + odds))
    np.testing.assert_allclose(usual(part).again, AGAIN)
    # A path on which hardly anything goes on still leaves something for it.
    stuck, beside = np.ones(900, dtype=np.int64), np.arange(900) > 0
    odd = of_take(part, stuck, is_beside=beside, is_extra=beside & (np.arange(900) % 2 == 0))
    assert odd.again.max() + max(odd.extra, odd.extra_on) < 0.95


def test_rounds_by_hand() -> None:
    played = np.array([-1, 0, 1, 3, 1, 2, 3, 4, 0, 1, -1])
    assert rounds(played).tolist() == [0, 1, 1, 1, 2, 2, 2, 2, 3, 3, 0]
    assert times_through(played, rounds(played)).tolist() == [0, 1, 1, 1, 2, 2, 2, 1, 2, 3, 0]
    # A cut: what is leapt over belongs to no run.
    jumps = np.array([0, 1, 9, 10, 4])
    assert rounds(jumps).tolist() == [1, 1, 2, 2, 3]
    assert times_through(jumps, rounds(jumps)).tolist() == [1, 1, 1, 1, 1]
    # The events between were heard, so that the last is come by again.
    joined = rounds(jumps, joined=[2])
    assert joined.tolist() == [1, 1, 1, 1, 2]
    assert times_through(jumps, joined).tolist() == [1, 1, 1, 1, 2]
    assert times_through(jumps, rounds(jumps), heard=[(2, 3), (2, 4)]).tolist() == [1, 1, 1, 1, 2]
    assert rounds(np.array([-1])).tolist() == [0]


def test_the_tempo_is_the_median_of_the_nearest_pairs() -> None:
    at = np.arange(1, 40)
    beat = np.where(at < 20, 0.5, 1.0)
    beat[10] = 9.0
    found = local_beat_s(at, np.log(beat), 40)
    assert found is not None
    assert found[3] == pytest.approx(0.5)
    assert found[11] == pytest.approx(0.5)
    assert found[35] == pytest.approx(1.0)
    assert local_beat_s(at[:0], beat[:0], 4) is None


SECTION = 48
LONG = 96


def melody(seed: int) -> Part:
    """Two sections of twelve bars, each to be repeated; notes of one beat and of half a beat, every tenth a chord."""
    rng = np.random.default_rng(seed)
    scale = np.array([0, 2, 4, 5, 7, 9, 11])
    walk = np.cumsum(rng.choice([-3, -2, -1, 1, 1, 2, 4], LONG)) + 10
    degree = 20 - np.abs(walk % 40 - 20)  # turned back at both ends of three octaves
    top = 55 + 12 * (degree // 7) + scale[degree % 7]
    pitches = tuple((float(p), float(p) - 8.0) if i % 10 == 9 else (float(p),) for i, p in enumerate(top))
    lasts = np.tile([1.0, 0.5, 0.5, 1.0], LONG // 4)
    beats = np.cumsum(lasts) - lasts
    return Part(pitches, beats, float(lasts.sum()), np.arange(LONG) % 4 == 0, ((SECTION - 1, 0), (LONG - 1, SECTION)))


def played(part: Part, order: list[int], *, seed: int, beat_s: float = 0.4) -> tuple[np.ndarray, np.ndarray]:
    """Pitches and beginnings of events in that order: intonation of 15 cents, time uneven by a tenth."""
    rng = np.random.default_rng(seed)
    lasts = np.diff(np.append(part.beats, part.end_beat))[order]
    midi = np.array([part.pitches[i][0] for i in order]) + rng.normal(0, 0.15, len(order))
    steps = beat_s * lasts * np.exp(rng.normal(0, 0.1, len(order)))
    return midi, np.cumsum(steps) - steps


ALL = [*range(SECTION), *range(SECTION), *range(SECTION, LONG), *range(SECTION, LONG)]


def placed(fit: Fit, order: list[int]) -> float:
    """Share of notes that stand at the event that was played."""
    assert fit.state == "placed"
    return float(np.mean((fit.event == order) & (fit.role == 0)))


@pytest.mark.parametrize(
    ("order", "shift"),
    [
        (ALL, 0),
        (ALL, -5),
        ([*range(LONG)], 3),
        ([*range(SECTION), *range(SECTION, LONG), *range(SECTION, LONG)], 0),
        ([*range(20), *range(36, SECTION), *range(SECTION, LONG)], 1),
        ([*range(30, 80)], -2),
    ],
    ids=["as written", "another key", "no repeat", "first repeat left out", "cut", "excerpt"],
)
def test_every_note_of_a_take_finds_its_place(order: list[int], shift: int) -> None:
    part = melody(3)
    midi, start_s = played(part, order, seed=5)
    fit = lay(part, midi=midi + shift + 0.2, start_s=start_s)
    assert fit.shift == shift
    assert fit.tuning_cents == pytest.approx(20.0, abs=8.0)
    assert placed(fit, order) == 1.0
    assert fit.probability.min() > 0.5


def test_times_through_are_counted() -> None:
    part = melody(3)
    fit = lay(part, midi=played(part, ALL, seed=5)[0], start_s=played(part, ALL, seed=5)[1])
    assert (
        times_through(fit.event, rounds(fit.event)).tolist()
        == [1] * SECTION + [2] * SECTION + [1] * SECTION + [2] * SECTION
    )


def test_an_introduction_stays_outside() -> None:
    part = melody(3)
    midi, start_s = played(part, list(range(LONG)), seed=5)
    rng = np.random.default_rng(8)
    before = rng.permutation(midi)[:30]
    fit = lay(part, midi=np.append(before, midi), start_s=np.append(np.arange(30) * 0.37, 12.0 + start_s))
    assert np.mean(fit.event[30:] == np.arange(LONG)) > 0.97
    told = fit.placed[:30] & (fit.probability[:30] >= 0.9)
    assert told.sum() <= 2


def test_ornaments_and_a_note_cut_in_two() -> None:
    part = melody(3)
    midi, start_s = played(part, list(range(LONG)), seed=5)
    # A turn after the fifth note, and the ninth found twice.
    midi = np.insert(midi, [5, 5, 5, 9], [midi[4] + 2, midi[4], midi[4] - 1, midi[8]])
    gap = start_s[5] - start_s[4]
    start_s = np.insert(
        start_s, [5, 5, 5, 9], [start_s[4] + gap * s for s in (0.25, 0.5, 0.75)] + [(start_s[8] + start_s[9]) / 2]
    )
    fit = lay(part, midi=midi, start_s=start_s)
    roles = [ROLES[r] for r in fit.role]
    assert roles[4] == "struck"
    assert roles[5] == "extra"
    assert roles[7] == "extra"
    assert roles[11:13] == ["struck", "again"]
    assert fit.event[11] == fit.event[12] == 8
    struck = fit.role == 0
    assert fit.event[struck].tolist() == list(range(LONG))


def test_either_note_of_a_chord_serves() -> None:
    part = melody(3)
    midi, start_s = played(part, list(range(LONG)), seed=5)
    lower = np.array([notes[-1] for notes in part.pitches])
    assert np.sum(lower < midi - 4) == 9
    fit = lay(part, midi=np.where(np.arange(LONG) % 20 == 9, lower, midi), start_s=start_s)
    assert placed(fit, list(range(LONG))) == 1.0


def test_another_work_is_named_so() -> None:
    for seed in range(4):
        midi, start_s = played(melody(seed), ALL, seed=seed)
        for other in range(4):
            fit = lay(melody(other), midi=midi, start_s=start_s)
            assert fit.state == ("placed" if other == seed else "not_this_work")
            assert (fit.event >= 0).any() == (other == seed)


def test_time_counts_on_across_a_note_that_is_not_written() -> None:
    """Of two notes of one pitch the first is missing, a false one sounds before: the time says which was found."""
    pitches = np.array([note[0] for note in melody(3).pitches])
    first = np.arange(5, LONG - 5, 6)
    pitches[first + 1] = pitches[first]
    part = Part(tuple((p,) for p in pitches), np.arange(float(LONG)), float(LONG), np.arange(LONG) % 4 == 0)
    midi, start_s = played(part, list(range(LONG)), seed=5)
    midi[first], start_s[first] = midi[first - 1] + 1.0, start_s[first - 1] + 0.1
    fit = lay(part, midi=midi, start_s=start_s)
    false = np.isin(np.arange(LONG), first)
    assert np.mean(fit.event[~false] == np.flatnonzero(~false)) > 0.97
    by_chance_right = np.abs(midi[first] - pitches[first]) < 0.5
    assert (fit.role[first[~by_chance_right]] == ROLES.index("extra")).all()


@pytest.mark.parametrize("kind", ["broken chords", "the same backwards"])
def test_a_part_much_like_itself_backwards_is_still_known(kind: str) -> None:
    rng = np.random.default_rng(4)
    roots = rng.integers(55, 67, 12)
    bars = [root + np.array([0, 4, 7, 12, 7, 4]) for root in roots]
    pitches = np.concatenate(bars if kind == "broken chords" else [*bars, *(bar[::-1] for bar in bars[::-1])])
    count = pitches.size
    part = Part(tuple((float(p),) for p in pitches), np.arange(count) / 2.0, count / 2.0, np.arange(count) % 6 == 0)
    midi, start_s = played(part, list(range(count)), seed=5)
    fit = lay(part, midi=midi, start_s=start_s)
    assert np.mean(fit.event == np.arange(count)) > 0.97


def test_too_few_notes_say_nothing() -> None:
    part = melody(3)
    midi, start_s = played(part, list(range(7)), seed=5)
    fit = lay(part, midi=midi, start_s=start_s)
    assert fit.state == "too_little"
    assert (fit.event == -1).all()
    assert np.isnan(fit.log_likelihood)
    assert lay(part, midi=midi[:0], start_s=start_s[:0]).state == "too_little"


@pytest.mark.parametrize(
    ("change", "words"),
    [({"ways": ((0, 9),)}, "outside"), ({"pitches": ((60.0,), (), (64.0,))}, "pitch"), ({"pitches": ()}, "events")],
)
def test_a_part_that_cannot_be_is_refused(change: dict[str, object], words: str) -> None:
    given = {name: getattr(TINY, name) for name in ("pitches", "beats", "end_beat", "bar_begins", "ways")}
    with pytest.raises(ValueError, match=words):
        Part(**(given | change))
