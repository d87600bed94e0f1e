"""Settings of a corpus: one frozen group per step; unknown keys are refused with the nearest known name."""

import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import DataError

Part = Annotated[float, Field(gt=0, le=1000)]
Habits = Annotated[tuple[tuple[Part, Part], ...], Field(min_length=1, max_length=12)]


class Group(BaseModel):
    """A group of settings; immutable, and strict about names."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class FollowSettings(Group):
    """The melody tracker."""

    scoring: Literal["network", "comb"] = Field(
        default="network",
        description="What scores the pitches of a frame: the trained network, or the comb of partials alone.",
    )


class MeasureSettings(Group):
    """Tuning curve and wow."""


class SettleSettings(Group):
    """Which speed, reference pitch and key."""

    ambiguous_below_odds: float = Field(
        default=3.0,
        ge=1.0,
        le=1000.0,
        description="A side is ambiguous if its first reading is less than so many times as likely as the second.",
    )
    catalogue_key_trust: float = Field(
        default=0.92,
        gt=0.0,
        lt=1.0,
        description="Probability that a key in the catalogue is the key played, before listening.",
    )


class DetectSettings(Group):
    """Notes, transitions and slides."""

    acceptance: Literal["learned", "rules"] = Field(
        default="learned", description="Who decides what is a slide and of which kind: learned trees, or plain rules."
    )
    least_confidence: float = Field(
        default=0.7, description="Least confidence of a slide that is written.", ge=0.05, le=0.99
    )


class HandSettings(Group):
    """Strings, positions and fingers.

    Weights are in nats: a weight of 1 makes a thing 2.7 times less likely, 3 makes it 20 times. All are common
    practice, no source. From the shares of slides and of shifts heard the estimate from the take itself begins.

    What a player is like is weighed by what is heard of the take. Each list of habits holds pairs: a factor, and how
    many players have it, against the others of its list.
    """

    shift: float = Field(default=1.5, ge=0, le=20, description="Weight of moving the hand by more than a semitone.")
    shift_per_semitone: float = Field(default=0.05, ge=0, le=5, description="Further weight of each semitone moved.")
    shift_across: float = Field(
        default=1.5, ge=0, le=20, description="Further weight of a shift that ends on another string."
    )
    landing: float = Field(
        default=0.25,
        ge=0,
        le=5,
        description="Weight of each finger used up by a shift in a scale: rising it lands low, falling high.",
    )
    half_step_shift: float = Field(default=3.0, ge=0, le=20, description="Weight of moving the hand by one semitone.")
    open_string_eases: float = Field(
        default=0.95,
        ge=0,
        le=1,
        description="Part of a shift's weight left when an open string sounds before or after it.",
    )
    crossing: float = Field(default=0.5, ge=0, le=20, description="Weight of going to the next string.")
    far_crossing: float = Field(default=2.8, ge=0, le=20, description="Further weight of each string leapt over.")
    finger_hop: float = Field(
        default=1.3, ge=0, le=20, description="Weight of the same finger stopping another note without a shift."
    )
    restop: float = Field(default=1.5, ge=0, le=20, description="Weight of taking the same pitch again otherwise.")
    high_place: float = Field(
        default=0.2,
        ge=0,
        le=5,
        description="Weight of each semitone above first position when a place is chosen.",
    )
    even_position: float = Field(
        default=0.5, ge=0, le=5, description="Weight of choosing half, second, fourth or sixth position."
    )
    off_scale: float = Field(
        default=1.0,
        ge=0,
        le=10,
        description="Weight of choosing a place where the first finger would stand off the scale of the take.",
    )
    thumb: float = Field(
        default=1.2, ge=0, le=20, description="Further weight of choosing thumb position on the cello."
    )
    covered: float = Field(
        default=0.04,
        ge=0,
        le=5,
        description="Weight of each semitone above a fifth on any string but the top one.",
    )
    strain: float = Field(
        default=1.4,
        ge=0,
        le=20,
        description="Weight of each semitone that a finger stands out of the usual frame.",
    )
    harmonic: float = Field(default=4.0, ge=0, le=20, description="Weight of a natural harmonic.")
    open_string: float = Field(default=0.6, ge=-5, le=20, description="Weight of an open string.")
    fast_note_s: float = Field(
        default=0.15,
        ge=0,
        le=2,
        description="Notes closer together than this, in s, leave less and less time to shift.",
    )
    cut_s: float = Field(
        default=4.0, gt=0, le=60, description="A silence of so many s cuts a passage: the hand may go anywhere."
    )
    rest_s: float = Field(
        default=1.0, gt=0, le=60, description="A silence of so many s gives the hand all the time it needs."
    )
    free_s: float = Field(default=0.15, ge=0, le=60, description="Up to so many s a silence frees nothing.")
    rest_freedom: float = Field(
        default=0.6, ge=0, le=1, description="How free the hand is after a rest: 1 as if nothing had been before."
    )
    intonation_semitones: float = Field(
        default=0.25, gt=0, le=1, description="Spread of stopped notes about equal temperament, in semitones."
    )
    open_string_semitones: float = Field(
        default=0.1, gt=0, le=1, description="Spread of open strings about their nominal pitch, in semitones."
    )
    step_semitones: float = Field(
        default=0.15, gt=0, le=2, description="Spread of the measured pitch of a break in a slide, in semitones."
    )
    outlier_share: float = Field(
        default=0.05,
        gt=0,
        lt=1,
        description="Share of breaks measured at a pitch that says nothing about the fingers.",
    )
    strained_weight: float = Field(
        default=0.15,
        gt=0,
        le=1,
        description="How much a sliding finger out of the usual frame counts, each semitone.",
    )
    departing_share: float = Field(
        default=0.55, gt=0, le=1, description="Of slides between two fingers: the first finger travels."
    )
    arriving_share: float = Field(
        default=0.3, gt=0, le=1, description="Of slides between two fingers: the second finger travels."
    )
    two_finger_share: float = Field(
        default=0.15, gt=0, le=1, description="Of slides between two fingers: they change on the way."
    )
    audible_slurred: float = Field(
        default=0.8, gt=0, lt=1, description="Share of shifts along a string that are heard under a slur."
    )
    audible_detached: float = Field(default=0.45, gt=0, lt=1, description="The same with a new bow stroke.")
    audible_beyond: float = Field(
        default=0.9,
        gt=0,
        le=1,
        description="Part of that share where the sliding finger would travel beyond the second note.",
    )
    audible_without_shift: float = Field(
        default=0.01, gt=0, lt=1, description="Share of other pairs of notes on which a slide is heard."
    )
    approach_share: float = Field(
        default=0.2, gt=0, le=1, description="Slides into a note made without a shift, as against one with it."
    )
    tempering: float = Field(
        default=1.5,
        gt=0,
        le=5,
        description="Power of the weights of playability for a middling player (below 1: less sure).",
    )
    evidence_weight: float = Field(
        default=1.6, gt=0, le=5, description="Power of what slides heard and not heard say of the hand."
    )
    silent_tempering: float = Field(
        default=0.22, gt=0, le=1, description="Power of all that is known of the hand where no shift is heard."
    )
    heard_habits: Habits = Field(
        default=((60.0, 0.15), (6.0, 0.2), (1.0, 0.3), (0.2, 0.2), (0.02, 0.15)),
        description="Players whose every shift is heard to those who hide all: factor on the odds of hearing one.",
    )
    crossing_habits: Habits = Field(
        default=((0.5, 0.25), (1.5, 0.35), (5.0, 0.25), (12.0, 0.15)),
        description="Players who cross strings gladly to lovers of one string: factor on the weight of crossing.",
    )
    effort_habits: Habits = Field(
        default=((0.6, 0.12), (1.0, 0.23), (1.7, 0.3), (2.5, 0.35)),
        description="Players who mind little to those who always do what is lightest: factor on all weights of ease.",
    )
    unforeseeing_share: float = Field(
        default=0.15, ge=0, lt=1, description="Share of players who do not look ahead: they move only when they must."
    )
    needless_stretch: float = Field(
        default=2.5,
        ge=0,
        le=20,
        description="To them: weight of a stretch, or a move by a semitone, where the hand lies on the note.",
    )
    needless_shift: float = Field(
        default=3.5, ge=0, le=20, description="To them: weight of a shift where the hand lies on the note."
    )
    least_margin: float = Field(
        default=0.2,
        ge=0,
        le=1,
        description="Lead over the next answer below which the hand is called cannot_tell.",
    )
    least_probability: float = Field(
        default=0.5, ge=0, le=1, description="Probability below which the hand is called cannot_tell."
    )


class SummariseSettings(Group):
    """Rates and their intervals."""

    seed: int = Field(default=1902, ge=0, le=2**31, description="Seed of the resampling behind intervals.")
    replicates: int = Field(default=2000, ge=200, le=100_000, description="Resamples drawn for each interval.")


class IntakeSettings(Group):
    """Reading audio and its tags."""

    shortest_s: float = Field(
        default=2.0,
        ge=0.5,
        le=60.0,
        description="A side must last at least so many seconds; a shorter one fails with a word.",
    )
    length_tolerance_s: float = Field(
        default=3.0,
        ge=0.1,
        le=600.0,
        description="How far, in seconds, a side may be off the length_s that transfer.csv states.",
    )


class ExportSettings(Group):
    """What an export says of itself."""

    licence: str = Field(default="", description="Licence of the exported tables, as an SPDX name such as CC-BY-4.0.")
    contributors: tuple[str, ...] = Field(default=(), description="Who made the corpus, as they want to be cited.")
    named_listeners: tuple[str, ...] = Field(
        default=(), description="Listeners who agreed to be named; others go out under codes."
    )


class Settings(Group):
    """All settings of a corpus; the names of the groups are the names of the steps."""

    title: str = ""
    default_period_scheme: str = ""
    intake: IntakeSettings = IntakeSettings()
    follow: FollowSettings = FollowSettings()
    measure: MeasureSettings = MeasureSettings()
    settle: SettleSettings = SettleSettings()
    detect: DetectSettings = DetectSettings()
    hand: HandSettings = HandSettings()
    summarise: SummariseSettings = SummariseSettings()
    export: ExportSettings = ExportSettings()


def read_settings(path: Path) -> Settings:
    """Settings of the file at ``path``; the defaults where there is no file.

    Raises
    ------
    DataError
        If the file is not TOML, or holds an unknown name or a value out of range; names all of them.
    """
    if not path.exists():
        return Settings()
    values = read_toml(path, name=path.name)
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        raise DataError("\n".join(_explain(path.name, item) for item in error.errors())) from error


def read_toml(path: Path, *, name: str) -> dict[str, Any]:
    """The content of a TOML file, called ``name`` in messages.

    Raises
    ------
    DataError
        If it cannot be read, is not saved as UTF-8, or is not TOML.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise DataError(f"{name}: cannot be read ({reason}); put the file itself there, readable to you") from error
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise DataError(f"{name}: line {line} is not saved as UTF-8; save the file again as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise DataError(f"{name}: not readable as TOML ({error}); mend that line") from error
    except (RecursionError, ValueError) as error:
        raise DataError(f"{name}: is nested too deep, or holds numbers too long, to be read; write it anew") from error


def _explain(file: str, item: Any) -> str:
    where = ".".join(str(part) for part in item["loc"])
    if item["type"] == "model_type":
        return f"{file}: {where} = {item['input']!r}: is a group of settings; write its settings below [{where}]"
    if item["type"] != "extra_forbidden":
        return f"{file}: {where} = {item['input']!r}: {item['msg'].lower()}; change the value"
    group: Any = Settings
    for part in item["loc"][:-1]:
        group = group.model_fields[part].annotation
    near = get_close_matches(str(item["loc"][-1]), group.model_fields, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known names: {', '.join(group.model_fields) or 'none'}"
    return f"{file}: {where}: unknown setting; {hint}"
