"""Where on a side the solo is: spans of solo, of accompaniment alone, of no music, and where one cannot tell.

Evidence comes from the followed line, in slots of a quarter second: how probable it is that the solo sounds, how
sure its pitch is, whether anything sounds above the quiet of the side, whether the line rests on pitches (speech
does not, however slowly; the quickest runs do) and these on a scale, and whether its notes are loudest as they begin
(struck strings are). Slots are joined by the likeliest sequence of contents with a cost for each change, so a rest of a
second or two belongs to the solo around it and an interlude does not.

A voice that holds its notes, a wind or a second string instrument that takes over the tune looks like the solo here,
and a long passage of pizzicato like a piano: passages in the catalogue say where. What the probabilities are worth
depends on the tracker's network; with the comb alone a piano sounds like a solo.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from pipeline.signal.line.calibration import mean_of_neighbours
from pipeline.signal.line.texture import Line as TexturedLine
from pipeline.signal.line.texture import Texture, texture
from pipeline.units import Floats

CONTENTS = ("solo", "accompaniment_only", "not_music", "speech", "cannot_tell")
SLOT_S = 0.25  # the grid of answers
# Slots are judged by a window of this length around them, and whether the solo plays by a wider one: under a piano
# alone single seconds may look like a solo, two and a half together do not.
WINDOW_S = 1.0
WIDE_S = 2.5
LONG_S = 8.0
# The sureness over the wider window at even odds, as a share of what four fifths of the side do not exceed (a solo
# under a loud piano is never as sure as one alone), but not below the lowest; and how sharply the odds change with it.
# Chosen on rendered sides with introductions and interludes.
EVEN = 0.6
USUAL = 0.8
LOWEST_EVEN = 0.4
SHARPNESS = 14.0
# A change of content must be worth this many nats: four rests of a second would not be, one interlude of two is.
CHANGE_COST = 12.0
# No slot says more than this for or against a content.
LEAST_SHARE = 0.04
# Something sounds when it is this far above the quietest twentieth of the side, or when tones are heard: on a side
# without a pause the quietest is music, too. Surface noise alone has a sureness of .02, a piano alone .1 and more.
ABOVE_QUIET_DB = 6.0
TONES, TONES_WIDTH = 0.15, 0.03
# Log odds of speech: a logistic regression on windows of real strings (violin, cello, runs among them; clean and with
# record noise 12 and 5 dB below) and rendered sides against speech of 40 synthetic voices in 16 languages, followed as
# violin, viola and cello, and a singer. Strings (98 %) rest over .89, glide by less than 150, keep to a scale over .5;
# speech rests .3-.8 (a monotonous one .9), glides by 170 and keeps to no scale (.1-.6).
SPEECH, SPEECH_RESTING, SPEECH_PER_SLOPE, SPEECH_IN_TUNE = 29.8, -29.0, 0.018, -18.0
# Struck strings at even odds, where the tracker is as sure as over a piano alone and as over nearly all solos, and what
# changes the odds by one nat (2.7 times). Strings have up to .33, a piano .22-.92 (under .3 only where it is unsure).
UNSURE, EVEN_EARLY, EARLY_WIDTH = (0.6, 0.85), (0.27, 0.46), 0.03


class Line(TexturedLine, Protocol):
    """What is read of a melody line beside its texture: (n,) arrays on the same grid."""

    @property
    def voiced_probability(self) -> Floats: ...
    @property
    def sound_db(self) -> Floats: ...


@dataclass(frozen=True)
class SoloSpan:
    """A span of transfer time with its content, one of ``CONTENTS``, its mean probability, and what it rests on.

    ``sureness``: mean of voicing and confidence; ``resting_share``: share of the line that rests on a pitch;
    ``slope_cents_per_s``: mean slope of what rests; ``in_tune``: how closely it keeps to a scale of semitones, 0 to 1;
    ``early_share``: share of the notes that are loudest in their first 50 ms. All are means over the span of values
    that look 4 s to either side.
    """

    start_s: float
    end_s: float
    content: str
    confidence: float
    sureness: float
    resting_share: float
    slope_cents_per_s: float
    in_tune: float
    early_share: float


def where_solo(line: Line, *, length_s: float) -> tuple[SoloSpan, ...]:
    """Spans that cover the side from 0 to ``length_s`` without gaps, in time order; none for an empty line.

    Parameters
    ----------
    line : as ``pipeline.signal.line.follow.follow`` gives it.
    length_s : length of the transfer, at least that of the line.
    """
    if line.time_s.size == 0 or not length_s > 0:
        return ()
    slots = max(1, int(np.ceil(length_s / SLOT_S)))
    hop_s = float(line.time_s[1] - line.time_s[0]) if line.time_s.size > 1 else SLOT_S
    centres = np.minimum(((np.arange(slots) + 0.5) * SLOT_S / hop_s).astype(np.int64), line.time_s.size - 1)
    moves = texture(line)
    sureness = 0.5 * (_smooth(line.voiced_probability, hop_s, LONG_S) + _smooth(line.confidence, hop_s, LONG_S))
    shares = _shares(line, moves, sureness, hop_s)[centres]
    path = _likeliest(np.log(np.maximum(shares, LEAST_SHARE)))
    edges = np.flatnonzero(np.diff(path)) + 1
    bounds = [0, *edges.tolist(), slots]
    seen = np.stack((sureness, moves.resting, moves.slope, moves.in_tune, moves.early), axis=1)[centres]
    return tuple(
        SoloSpan(
            a * SLOT_S,
            min(b * SLOT_S, length_s),
            CONTENTS[int(path[a])],
            float(shares[a:b, path[a]].mean()),
            *seen[a:b].mean(axis=0).tolist(),
        )
        for a, b in pairwise(bounds)
    )


def _shares(line: Line, moves: Texture, sureness: Floats, hop_s: float) -> npt.NDArray[np.float64]:
    """Probability of each content at each frame (n, contents)."""
    voiced = _smooth(line.voiced_probability, hop_s, WINDOW_S)
    sure = np.minimum(_smooth(line.confidence, hop_s, WINDOW_S), voiced)
    loud_db = _smooth(line.sound_db, hop_s, WINDOW_S)
    quiet_db = max(float(np.quantile(loud_db, 0.05)), -90.0)
    sounds = np.maximum(
        expit((loud_db - quiet_db - ABOVE_QUIET_DB) / 1.5), expit((0.5 * (voiced + sure) - TONES) / TONES_WIDTH)
    )
    gliding = SPEECH + SPEECH_RESTING * moves.resting + SPEECH_PER_SLOPE * moves.slope
    speech = expit(gliding + SPEECH_IN_TUNE * moves.in_tune)
    struck = expit((moves.early - np.interp(sureness, UNSURE, EVEN_EARLY)) / EARLY_WIDTH)
    followed = _plays(line, hop_s)
    # What is loudest as it begins, again and again, is the piano, however sure the tracker is; speech begins so, too.
    plays = followed * (1.0 - struck)
    sure = sure / np.maximum(voiced, 1e-9)
    # The line is followed but its pitch is unsure, or it is as likely there as not.
    doubt = np.maximum(plays * (1.0 - sure), 2.0 * np.minimum(plays, 1.0 - plays) * np.minimum(1.0, 2.0 * sounds))
    music = np.stack((plays * sure, (1.0 - plays) * sounds, (1.0 - plays) * (1.0 - sounds), doubt), axis=1)
    spoken = followed * speech
    music *= ((1.0 - spoken) / np.maximum(music.sum(axis=1), 1e-9))[:, np.newaxis]
    return np.column_stack((music[:, :3], spoken, music[:, 3]))


def _plays(line: Line, hop_s: float) -> Floats:
    """Probability that the solo plays around each frame, its short rests included."""
    seen = 0.5 * (_smooth(line.voiced_probability, hop_s, WIDE_S) + _smooth(line.confidence, hop_s, WIDE_S))
    even = max(EVEN * float(np.quantile(seen, USUAL)), LOWEST_EVEN)
    return np.asarray(expit(SHARPNESS * (seen - even)))


def _smooth(values: Floats, hop_s: float, window_s: float) -> Floats:
    return mean_of_neighbours(values, half=max(1, round(0.5 * window_s / hop_s)))


def _likeliest(scores: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """The best sequence of contents with ``CHANGE_COST`` for every change."""
    n, k = scores.shape
    back = np.zeros((n, k), dtype=np.int64)
    state = scores[0].copy()
    for t in range(1, n):
        best = int(np.argmax(state))
        moved = state[best] - CHANGE_COST
        back[t] = np.where(state >= moved, np.arange(k), best)
        state = np.maximum(state, moved) + scores[t]
    path = np.empty(n, dtype=np.int64)
    path[-1] = int(np.argmax(state))
    for t in range(n - 1, 0, -1):
        path[t - 1] = back[t, path[t]]
    return path
