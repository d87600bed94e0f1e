"""Plants known slides between neighbouring notes of a side's own solo.

The partials of both notes are taken out around the change of note and written anew along a slide: with the loudness of
the notes' own partials, moment by moment (mirrored in time at either end of the slide), falling and growing duller in
the middle, and with the old note ringing on as it does on this side. All else (piano, surface noise, the bow's noise)
stays as it was.
"""

from dataclasses import dataclass

import numpy as np

from pipeline.signal.recovery.partials import Samples, Tone, count_of, phase_of, taken
from pipeline.signal.recovery.ringing import Ringing, ringing_on
from pipeline.signal.synth.curve import slide_midi
from pipeline.signal.synth.plan import PlannedSlide
from pipeline.units import A4_HZ, Floats, hz_of_midi, midi_of_hz

JOIN_S = 0.012
"""Cross-fade at either end of what is written anew."""
AFTER_S = 0.6
"""So much of the note after is turned to the phase in which the slide arrives; then it goes on as it was."""
DULLER_DB = 1.5  # see ``DULLEST``
DULLEST = 7
"""At its lowest point a slide's partial h is another 1.5 (h - 1) dB down, up to the eighth (measured on real ones)."""
CALM_S = 0.05
"""So long before a slide the old note's vibrato dies away, and so long after it that of the new one grows, where the
slide cuts into a note: no finger shakes and slides at once (as in rendered sides; the number: no source)."""
RINGS_S = 0.3  # how long an old note rings on at most (common practice, no source)


@dataclass(frozen=True)
class Planting:
    """One slide to plant, in time and pitch of the transfer (A4 = 440 Hz), and how deep it falls.

    ``changes_s`` is when the note changes now; ``since_s`` and ``until_s`` when the two notes begin and end.
    """

    slide: PlannedSlide
    fall_db: float
    changes_s: float
    since_s: float
    until_s: float


def planted(
    samples: Samples,
    planting: Planting,
    *,
    time_s: Floats,
    f0_hz: Floats,
    ringing: Ringing | None,
    rng: np.random.Generator,
    sample_rate_hz: float,
) -> tuple[slice, Floats]:
    """Where in the samples, and what stands there now.

    Parameters
    ----------
    samples : (n,) the side's sound.
    time_s, f0_hz : the solo's line, without gaps in the two notes.
    """
    slide = planting.slide
    first = max(round((max(slide.start_s - RINGS_S, planting.since_s)) * sample_rate_hz), 0)
    until_s = min(planting.until_s, slide.end_s + AFTER_S)
    last = min(round(until_s * sample_rate_hz), samples.size)
    at = np.arange(first, last) / sample_rate_hz
    part = np.asarray(samples[first:last], dtype=np.float64)
    before_hz = _line(at, time_s, f0_hz, planting.since_s, planting.changes_s)
    after_hz = _line(at, time_s, f0_hz, planting.changes_s, planting.until_s)
    partials = count_of(float(min(before_hz.min(), after_hz.min())), sample_rate_hz=sample_rate_hz)
    change = int(np.searchsorted(at, planting.changes_s))
    old = taken(part, before_hz, sounding=(0, change), partials=partials, sample_rate_hz=sample_rate_hz)
    new = taken(part, after_hz, sounding=(change, at.size), partials=partials, sample_rate_hz=sample_rate_hz)
    calm_s = _calm(planting)
    midi = slide_midi(slide, at) + _vibrato(at, before_hz, after_hz, slide, calm_s)
    start_s, end_s = slide.start_s - calm_s[0], slide.end_s + calm_s[1]
    glide, turned = _glide(old, new, planting, midi, at, (start_s, end_s), sample_rate_hz=sample_rate_hz)
    inside = _window(at, start_s, end_s)
    from_now = _window(at, end_s, until_s - JOIN_S)
    without = part - old.sound() * inside - new.sound() * np.maximum(inside, from_now)
    # What is left of either note beyond its end (ringing, or an end not quite where it was taken to be) goes as well.
    for hz in (before_hz, after_hz):
        left = taken(without, hz, sounding=(0, at.size), partials=partials, sample_rate_hz=sample_rate_hz)
        without -= left.sound() * inside
    written = glide * inside + new.sound(turned=turned) * from_now
    if ringing is not None:
        source = np.where(at < start_s, old.sound(), glide * inside)
        tail = ringing_on(source, ringing, rng=rng, sample_rate_hz=sample_rate_hz)
        written += tail * _window(at, slide.start_s, slide.end_s + RINGS_S)
    return slice(first, last), without + written


def _calm(planting: Planting) -> tuple[float, float]:
    """Seconds before and after the slide in which vibrato dies away and grows: none where a note ends or begins."""
    slide, changes_s = planting.slide, planting.changes_s
    return (
        CALM_S if slide.start_s < changes_s - JOIN_S else 0.0,
        CALM_S if slide.end_s > changes_s + JOIN_S else 0.0,
    )


def _vibrato(
    at: Floats, before_hz: Floats, after_hz: Floats, slide: PlannedSlide, calm_s: tuple[float, float]
) -> Floats:
    """Semitones (n,) by which the line of either note is off the pitch that the slide leaves or reaches."""
    before, after = (midi_of_hz(hz, reference_pitch_hz=A4_HZ) for hz in (before_hz, after_hz))
    left_before = np.clip((slide.start_s - at) / max(calm_s[0], 1e-9), 0.0, 1.0)
    left_after = np.clip((at - slide.end_s) / max(calm_s[1], 1e-9), 0.0, 1.0)
    return np.asarray(left_before * (before - slide.from_midi) + left_after * (after - slide.to_midi))


def _line(at: Floats, time_s: Floats, f0_hz: Floats, start_s: float, end_s: float) -> Floats:
    """The line of one note at times (n,), carried on at either end as it is 30 ms within."""
    # What is left of a slide's ends (common practice, no source).
    margin = min(0.03, 0.25 * (end_s - start_s))
    own = (time_s >= start_s + margin) & (time_s <= end_s - margin) & np.isfinite(f0_hz)
    return np.interp(at, time_s[own], f0_hz[own])


def _window(at: Floats, start_s: float, end_s: float) -> Floats:
    rise = np.clip((at - start_s) / JOIN_S + 0.5, 0.0, 1.0)
    fall = np.clip((end_s - at) / JOIN_S + 0.5, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.minimum(rise, fall)))


def _glide(
    old: Tone,
    new: Tone,
    planting: Planting,
    midi: Floats,
    at: Floats,
    joins_s: tuple[float, float],
    *,
    sample_rate_hz: float,
) -> tuple[Floats, Floats]:
    """Samples of a slide of pitch (n,), joined to both notes at two times, and the phase to add to each partial after
    it."""
    slide = planting.slide
    i, j = np.searchsorted(at, (slide.start_s, slide.end_s))
    partials = old.amplitudes.shape[0]
    number = np.arange(1, partials + 1)
    before = np.log(np.abs(old.amplitudes) + 1e-9)
    after = np.log(np.abs(new.amplitudes) + 1e-9)
    n = np.arange(at.size)
    # The loudness of the old note played backwards from the slide's start, that of the new one to its end.
    mirrored_old = before[:, np.clip(2 * i - n, 0, i)]
    mirrored_new = after[:, np.clip(2 * j - n, j, at.size - 1)]
    u = np.clip((at - slide.start_s) / (slide.end_s - slide.start_s), 0.0, 1.0)
    deep = np.sin(np.pi * u) ** 2
    loud = (1.0 - u) * np.where(n < i, before, mirrored_old) + u * np.where(n > j, after, mirrored_new)
    duller = DULLER_DB * np.minimum(number - 1, DULLEST)[:, None] * min(1.0, planting.fall_db / 6.0)
    loud -= (planting.fall_db + duller) * deep * np.log(10.0) / 20.0
    hz = hz_of_midi(midi, reference_pitch_hz=A4_HZ)
    phase = phase_of(hz, sample_rate_hz=sample_rate_hz)
    first, last = np.searchsorted(at, joins_s)
    phase += old.phase[first] - phase[first]
    begins = np.angle(old.amplitudes[:, first])
    turned = number * (phase[last] - new.phase[last]) + begins - np.angle(new.amplitudes[:, last])
    glide = Tone(phase, np.exp(loud) * np.exp(1j * begins)[:, None]).sound()
    return glide, np.asarray(turned)
