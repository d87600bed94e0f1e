"""What speaks for and against a reading of a side's speed, in words; the only place where that is worded."""

from pipeline.signal.speed.evidence import Evidence, KeyFit, SessionSpeed
from pipeline.signal.speed.key import Key, StringEvidence
from pipeline.signal.speed.prior import STANDARD_RPM
from pipeline.signal.speed.session import Reading

_LEAST_BELOW = 0.5  # fewer notes below the lowest string than this are not worth a word
_LEAST_AWAY_PERCENT = 3.0  # speeds further from 78.26 rpm are rare enough to be said so (common practice, no source)


def reason(reading: Reading) -> str:
    """What a reading rests on, joined by semicolons."""
    evidence = reading.evidence
    if isinstance(evidence, SessionSpeed):
        return _offered(evidence)
    said = [f"A4 = {reading.reference_pitch_hz:.4g} Hz {evidence.pitch_origin}", _key(evidence.key)]
    said += _strings(evidence.strings)
    said += [f"the sudden change at {at:.2f} s taken as {cents:+.0f} cents" for at, cents in evidence.changes]
    if evidence.hum is not None:
        hz, mains = evidence.hum
        said.append(f"hum at {hz:.2f} Hz becomes {mains} Hz")
    said += [f"usual at the label ({source})" for source in evidence.labels] or [
        f"the disc would turn {words}" for words in _rare(reading.playing_rpm)
    ]
    if evidence.session is not None:
        rpm, sd = evidence.session.rpm, evidence.session.within_cents
        said.append(f"{others(evidence.session)} lead to expect {rpm:.2f} rpm (within {sd:.0f} cents)")
    return "; ".join(said)


def against_key(evidence: Evidence | SessionSpeed) -> str:
    """That the notes fit another key than the catalogue's; "" if they do not."""
    return "" if isinstance(evidence, SessionSpeed) or evidence.key.fits else _key(evidence.key)


def others(speed: SessionSpeed) -> str:
    """Who leads to expect a speed."""
    if not speed.same_side:
        return "the session's other sides"
    if speed.same_side < speed.sides:
        return "other transfers of this side and the session's other sides"
    return "other transfers of this side"


def _offered(speed: SessionSpeed) -> str:
    others = "other side plays" if speed.sides == 1 else f"{speed.sides} other sides play"
    said = f"the session's {others} at {speed.rpm:.2f} rpm (another within {speed.within_cents:.0f} cents of it)"
    return f"{said}; nothing on this side itself speaks for it or against it, so it is not applied"


def transposition(one: Reading, other: Reading) -> str:
    """What speaks for the printed key at one speed and for another at another; "" if readings do not differ so."""
    cases = [_case(reading) for reading in (one, other)]
    if not all(cases) or _printed(one) == _printed(other):
        return ""
    return f"a transposed performance and a wrong speed sound alike: {cases[0]}; {cases[1]}"


def _printed(reading: Reading) -> bool:
    return isinstance(reading.evidence, Evidence) and reading.evidence.key.fits


def _case(reading: Reading) -> str:
    evidence = reading.evidence
    if isinstance(evidence, SessionSpeed) or evidence.key.given is None:
        return ""
    best, given = evidence.key.best, evidence.key.given
    how = "as printed" if evidence.key.fits else _transposed(best, given).removeprefix(", as if ")
    if not how:
        return ""
    rpm = reading.playing_rpm
    plays = f"corrected by {reading.offset_cents:+.0f} cents" if rpm is None else f"at {rpm:.2f} rpm"
    return f"in {reading.key}, {how}, {', '.join([plays, *_rare(rpm), *_strings(evidence.strings)])}"


def _key(key: KeyFit) -> str:
    if key.given is None:
        return f"key unknown, the notes fit {key.best.name} best"
    if key.fits:
        return f"the catalogue's key {key.given.name} fits"
    said = f"pitch content fits {key.best.name} better than the catalogue's {key.given.name}"
    return said + _transposed(key.best, key.given)


def _transposed(sounded: Key, printed: Key) -> str:
    steps = (sounded.tonic - printed.tonic + 5) % 12 - 5
    if sounded.minor != printed.minor or not steps:
        return ""
    semitones = "a semitone" if abs(steps) == 1 else f"{abs(steps)} semitones"
    return f", as if transposed by {semitones} {'up' if steps > 0 else 'down'}"


def _rare(playing_rpm: float | None) -> list[str]:
    if playing_rpm is None:
        return []
    away = 100.0 * (playing_rpm / STANDARD_RPM - 1.0)
    if abs(away) < _LEAST_AWAY_PERCENT:
        return []
    return [f"{abs(away):.1f} % {'faster' if away > 0 else 'slower'} than {STANDARD_RPM:.2f} rpm"]


def _strings(strings: StringEvidence) -> list[str]:
    said = []
    if strings.count:
        said.append(f"{strings.still} of {strings.count} notes at open strings without vibrato")
    if strings.below >= _LEAST_BELOW:
        below = round(strings.below) or 1
        said.append(f"{below} {'note' if below == 1 else 'notes'} below the lowest string")
    return said
