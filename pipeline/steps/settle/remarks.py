"""What a reader should be told about a speed: doubts, disagreements, and how a person's ruling was taken."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipeline.units import cents_of_ratio

if TYPE_CHECKING:
    from pipeline.signal.speed.session import Reading, SettledSide

_OUTLIER = 0.5
_TURNTABLE_SHARE = 0.003
_TURNTABLE_SIGMAS = 4.0
Known = Mapping[str, Any]


def decision_cents(known: Known) -> tuple[float | None, str]:
    """The correction that a person ruled, in cents; or None and why not ("" if there is no ruling).

    A ruling needs the speed (as rpm or cents) and the reference pitch, because either alone says nothing.
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


def remarks(
    tuning: Known, known: Known, settled: SettledSide | None, first: Reading | None, *, offered: Reading | None
) -> str:
    """Everything worth saying about one side, joined by semicolons; "" if there is nothing.

    ``offered`` is the session's speed for a side that cannot be measured.
    """
    said = [*_on_decision(known), *_on_reference(known), known["key_remark"]]
    if first is not None:
        said += _on_key(known, first)
    if settled is not None:
        said += _on_session(settled, first)
    said += _on_turntable(tuning, known)
    if tuning["jump_s"] is not None:
        size = -tuning["jump_cents"]
        bounds = f"between {tuning['jump_from_s']:.2f} and {tuning['jump_to_s']:.2f} s (95 %)"
        said.append(f"speed changes suddenly at {tuning['jump_s']:.2f} s, {bounds}; correction {size:+.0f} cents")
    if known.get("leans"):
        said.append("weakly measured by itself: its drift leans on that of its session's other sides")
    if not tuning["measured"]:
        said.append(f"not measurable: {tuning['reason']}")
    if offered is not None:
        said.append(f"its session plays at {offered.playing_rpm:.2f} rpm: offered, not applied")
    return "; ".join(words for words in said if words)


def _on_decision(known: Known) -> list[str]:
    cents, problem = decision_cents(known)
    if problem:
        return [problem]
    if cents is None:
        return []
    decision = known["decision"]
    said = [f"ruled by {decision['decided_by']} on {decision['decided_on']}: {decision['reason']}"]
    if known["already_corrected"] == "yes":
        said.append("the transfer counts as already corrected: make sure that this ruling is not a second correction")
    return said


def _on_reference(known: Known) -> list[str]:
    hz, _, origin = known["references"][0]
    if origin != "assumed":
        return []
    return [f"no reference pitch in the catalogue: A4 = {hz:g} Hz assumed"]


def _on_key(known: Known, first: Reading) -> list[str]:
    return [words for words in first.reason.split("; ") if words.startswith("pitch content fits")]


def _on_session(settled: SettledSide, first: Reading | None) -> list[str]:
    share = settled.outlier_probability
    if share is None or settled.session_cents is None or share < _OUTLIER or first is None:
        return []
    rpm = 3600.0 / 46.0 * 2.0 ** (settled.session_cents / 1200.0)
    return [f"disagrees with its session, whose other sides play at {rpm:.2f} rpm"]


def _on_turntable(tuning: Known, known: Known) -> list[str]:
    written, hz = known["turntable_rpm"], tuning["wow_hz"]
    if written is None or hz is None or known["already_corrected"] == "yes":
        return []
    turned = 60.0 * hz
    if abs(turned - written) < max(_TURNTABLE_SHARE * written, _TURNTABLE_SIGMAS * 60.0 * tuning["wow_hz_se"]):
        return []
    return [f"wow at {hz:.4f} Hz: the turntable turned at {turned:.2f} rpm, not at the {written:g} rpm written down"]
