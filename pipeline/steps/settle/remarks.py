"""What a reader should be told about a speed: doubts, disagreements, and how a person's ruling was taken."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pipeline.signal.speed.prior import stroboscope_bars
from pipeline.steps.settle.evidence_words import against_key, others, transposition
from pipeline.store.catalogue.recording import is_one_speed_alone
from pipeline.units import Z_95, cents_of_ratio, rpm_of_hz

if TYPE_CHECKING:
    from pipeline.signal.speed.session import Reading, SettledSide

# From what probability of not sharing a speed on a side is said to disagree; of two transfers of one side either may be
# the wrong one (common practice, no source).
_OUTLIER, _OUTLYING_TRANSFER = 0.5, 0.3
_LEAST_TRANSPOSED = 0.1  # less likely transpositions are not worth a word (common practice, no source)
_TURNTABLE_SHARE = 0.003
_TURNTABLE_SIGMAS = 4.0
# A4 of two transfers of one side that differs by less is the same, as told with 0.5 Hz (common practice, no source).
_SAME_PITCH_CENTS = 2.0
Known = Mapping[str, Any]


def decision_cents(known: Known) -> tuple[float | None, str]:
    """The correction that a person ruled, in cents; or None and why not ("" if there is no ruling).

    A ruling needs the speed (as rpm or cents) and the reference pitch, because either alone says nothing; that a side
    ran at one speed may be ruled by itself.
    """
    decision = known["decision"]
    if not decision:
        return None, ""
    who = f"the ruling of {decision['decided_by']}"
    if known.get("waits"):
        return (
            None,
            f"{who} was made for other samples and waits for confirmation: clear or renew its samples_sha256",
        )
    if is_one_speed_alone(decision):
        return None, ""
    if decision["reference_pitch_hz"] is None:
        return None, f"{who} is not applied: it states no reference pitch; add reference_pitch_hz"
    rpm, cents = decision["playing_rpm"], decision["correction_cents"]
    if (rpm is None) == (cents is None):
        both = "both rpm and cents; keep one" if rpm is not None else "neither rpm nor cents; add one"
        return None, f"{who} is not applied: it states {both}"
    if cents is not None:
        return float(cents), ""
    if known["turntable_rpm"] is None:
        return (
            None,
            f"{who} is not applied: playing_rpm needs the transfer's turntable_rpm; add it, or rule in cents",
        )
    return float(cents_of_ratio(rpm / known["turntable_rpm"])), ""


def ruled_one_speed(known: Known) -> bool:
    """Whether a person ruled that the side ran at one speed: what changes along it is the playing's."""
    decision = known["decision"]
    return bool(decision) and decision["one_speed"] == "yes" and not known.get("waits")


def remarks(
    tuning: Known,
    known: Known,
    settled: SettledSide | None,
    first: Reading | None,
    *,
    estimated: str,
    jumps: Sequence[tuple[float, float]],
    offered: Reading | None,
) -> str:
    """Everything worth saying about one side, joined by semicolons; "" if there is nothing.

    ``estimated`` is the state without a ruling; ``jumps`` are times and sizes of sudden changes of the sounding pitch
    that are corrected, of which the greatest has columns of its own; ``offered`` is the session's speed for a side that
    cannot be measured.
    """
    said = [*_on_decision(known)]
    ruled = decision_cents(known)[0] is not None
    if settled is not None and first is not None:
        said += [] if ruled else _on_reference(known, settled, first)
        said += [known["key_remark"], *_on_key(first), *_on_session(settled)]
        said += _on_rival(settled) if estimated == "ambiguous" else _on_transposition(settled)
    said += _on_other_pitches(tuning["transfer_id"], known["pitches"])
    said += _on_turntable(tuning, known)
    said += _on_changes(jumps)
    if tuning["flutter_hz"] is not None:
        said.append(
            f"the pitch also wavers by {tuning['flutter_cents']:.1f} cents at {tuning['flutter_hz']:.2f} Hz, "
            "which is not taken out"
        )
    if known.get("leans"):
        said.append("weakly measured by itself: its drift leans on that of its session's other sides")
    if not tuning["measured"]:
        said.append(f"not measurable: {tuning['reason']}")
    if offered is not None:
        said.append(f"its session plays at {offered.playing_rpm:.2f} rpm: offered, not applied")
    return "; ".join(words for words in said if words)


def _on_decision(known: Known) -> list[str]:
    cents, problem = decision_cents(known)
    steady = ruled_one_speed(known)
    one_speed = ["ruled to run at one speed: drift and sudden changes that are heard are not corrected"] * steady
    if problem:
        return [problem, *one_speed]
    if cents is None and not steady:
        return []
    decision = known["decision"]
    said = [f"ruled by {decision['decided_by']} on {decision['decided_on']}: {decision['reason']}", *one_speed]
    if cents is None:
        return said
    said += _stroboscope(decision["playing_rpm"])
    if known["already_corrected"] == "yes":
        said.append("the transfer counts as already corrected: make sure that this ruling is not a second correction")
    return said


def _stroboscope(rpm: float | None) -> list[str]:
    bars = stroboscope_bars(rpm) if rpm is not None else {}
    if not bars:
        return []
    mains, count = next(reversed(bars.items()))
    names = " or ".join(f"{count} bars under {mains} Hz" for mains, count in bars.items())
    return [f"a stroboscope speed, {120.0 * mains / count:.2f} rpm, {names}"]


def _on_reference(known: Known, settled: SettledSide, first: Reading) -> list[str]:
    if any(row["stated"] for row in known["references"].values()):
        return []
    limits = f"{settled.low_hz:.1f} to {settled.high_hz:.1f} Hz (95 %)"
    return [f"no reference pitch in the catalogue: A4 taken as {first.reference_pitch_hz:.1f} Hz, may be {limits}"]


def _on_other_pitches(transfer_id: str, pitches: Mapping[str, float | None]) -> list[str]:
    """Transfers of one performance had one A4, however each was ruled."""
    own = pitches[transfer_id]
    return [
        f"A4 is taken as {own:.1f} Hz here and as {hz:.1f} Hz in {other}, which holds the same performance: state one "
        "in reference_pitch.csv, and the same in every ruling"
        for other, hz in sorted(pitches.items())
        if own is not None and hz is not None and abs(float(cents_of_ratio(own / hz))) > _SAME_PITCH_CENTS
    ]


def _on_key(first: Reading) -> list[str]:
    said = against_key(first.evidence)
    return [said] if said else []


def _on_rival(settled: SettledSide) -> list[str]:
    rival = settled.rival()
    if rival is None:
        return []
    reading, chance = rival
    own = settled.chance(settled.readings[0])
    said = f"or {_played(reading)}: whatever A4 was, its notes are {100 * chance:.0f} % likely, those of the first "
    said += f"reading {100 * own:.0f} %"
    return [words for words in (said, transposition(settled.readings[0], reading)) if words]


def _on_transposition(settled: SettledSide) -> list[str]:
    # a side is settled, yet another key than the first reading's is not ruled out
    rival = settled.rival()
    if rival is None or rival[1] < _LEAST_TRANSPOSED:
        return []
    words = transposition(settled.readings[0], rival[0])
    cure = "note what was played as take.key_played, if it is known"
    return [f"{words} ({100 * rival[1]:.0f} % likely); {cure}"] if words else []


def _played(reading: Reading) -> str:
    speed = f"{reading.offset_cents:+.0f} cents" if reading.playing_rpm is None else f"{reading.playing_rpm:.2f} rpm"
    return f"{speed}, A4 = {reading.reference_pitch_hz:.4g} Hz, {reading.key}"


def _on_session(settled: SettledSide) -> list[str]:
    share = settled.outlier_probability
    if share is None or settled.session is None:
        return []
    if share < (_OUTLYING_TRANSFER if settled.session.same_side else _OUTLIER):
        return []
    rpm = f"{settled.session.rpm:.2f} rpm"
    if settled.session.same_side:
        return [f"{others(settled.session)} lead to expect {rpm}: perhaps a turntable_rpm is wrong"]
    return [f"disagrees with its session, whose other sides play at {rpm}"]


def _on_changes(jumps: Sequence[tuple[float, float]]) -> list[str]:
    others = sorted(jumps, key=lambda jump: -abs(jump[1]))[1:]
    if not others:
        return []
    each = ", ".join(f"{-cents:+.0f} cents at {time_s:.2f} s" for time_s, cents in sorted(others))
    return [f"speed changes suddenly at {len(jumps)} places, the smaller ones {each}"]


def _on_turntable(tuning: Known, known: Known) -> list[str]:
    written, hz = known["turntable_rpm"], tuning["wow_hz"]
    if hz is None or known["already_corrected"] == "yes":
        return []
    turned = rpm_of_hz(hz)
    if written is None:
        within = max(Z_95 * rpm_of_hz(tuning["wow_hz_se"]), 0.01)
        said = f"wow at {hz:.4f} Hz: here the disc turns at {turned:.2f} rpm (± {within:.2f})"
        return [f"{said}; unless the transfer's speed was changed later, that is its turntable_rpm"]
    if abs(turned - written) < max(_TURNTABLE_SHARE * written, _TURNTABLE_SIGMAS * rpm_of_hz(tuning["wow_hz_se"])):
        return []
    return [f"wow at {hz:.4f} Hz: the turntable turned at {turned:.2f} rpm, not at the {written:g} rpm written down"]
