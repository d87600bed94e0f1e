"""Settings of a corpus: one frozen group per step; unknown keys are refused with the nearest known name."""

import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationError, computed_field, model_validator

from pipeline.errors import CombinedError, DataError


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
        default=4.0,
        ge=1.0,
        le=1000.0,
        description="A side is ambiguous if its likeliest notes are less than so many times as likely as all others: "
        "4 leaves one in five open.",
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


class MatchSettings(Group):
    """Found notes laid on the written part."""


class ChordsSettings(Group):
    """Chords and double stops."""


class RecoverSettings(Group):
    """Slides planted in the sides' own sound and looked for again, which says how many would be found.

    Follows and searches a side a second time: some 10 s of one core for three minutes of sound.
    """

    share_of_sides: float = Field(
        default=0.25,
        ge=0,
        le=1,
        description="Part of the transfers in which slides are planted, chosen by their ids; 0 for none, 1 for all.",
    )
    plantings: int = Field(
        default=20, ge=1, le=200, description="Slides planted in a transfer at most; ten a side tell sides apart."
    )
    _detect: DetectSettings = PrivateAttr(default_factory=DetectSettings)

    @computed_field  # type: ignore[prop-decorator]
    @property
    def detect(self) -> DetectSettings:
        """How slides are looked for: as set for all others."""
        return self._detect


class HandSettings(Group):
    """Strings, positions and fingers.

    What players like is learned from fingerings of professionals of today. A school or period of other habits is set
    here: each value adds to the learned weights, in nats, so that 1 makes a thing 2.7 times commoner against all else,
    -1 as much rarer; 0 leaves them as learned.
    """

    one_string: float = Field(
        default=0.0,
        ge=-5,
        le=5,
        description="Staying on one string for its sound: added against each crossing to another string.",
    )
    open_strings: float = Field(default=0.0, ge=-5, le=5, description="Liking of open strings.")
    fourth_finger: float = Field(default=0.0, ge=-5, le=5, description="Liking of the fourth finger.")
    even_positions: float = Field(
        default=0.0, ge=-5, le=5, description="Liking of half, second, fourth and sixth position."
    )
    high_positions: float = Field(
        default=0.0, ge=-2, le=2, description="Liking of each semitone that the hand stands above first position."
    )
    same_finger: float = Field(
        default=0.0, ge=-5, le=5, description="Liking of shifts that one finger carries from note to note."
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
    recalibrate: bool = Field(
        default=True,
        description="Whether confidences follow what listeners heard, from 100 verdicts and where that pays.",
    )


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
    match: MatchSettings = MatchSettings()
    chords: ChordsSettings = ChordsSettings()
    hand: HandSettings = HandSettings()
    recover: RecoverSettings = RecoverSettings()
    summarise: SummariseSettings = SummariseSettings()
    export: ExportSettings = ExportSettings()

    @model_validator(mode="after")
    def _recover_as_detected(self) -> "Settings":
        """Planted slides are looked for just as all others are."""
        recover = self.recover.model_copy()
        recover._detect = self.detect
        self.__dict__["recover"] = recover
        return self


_LEARNED_SINCE = """
    approach_share arriving_share audible_beyond audible_detached audible_slurred audible_without_shift covered
    crossing crossing_habits cut_s departing_share effort_habits even_position evidence_weight far_crossing
    fast_note_s finger_hop free_s half_step_shift harmonic heard_habits high_place intonation_semitones landing
    needless_shift needless_stretch off_scale open_string open_string_eases open_string_semitones outlier_share
    rest_freedom rest_s restop shift shift_across shift_per_semitone silent_tempering step_semitones strain
    strained_weight tempering thumb two_finger_share unforeseeing_share
"""
GONE = {"hand": frozenset(_LEARNED_SINCE.split())}
"""Settings of 0.1.0 that later versions do not have: its weights of the hand are learned from real fingerings since."""


def read_settings(path: Path) -> Settings:
    """Settings of the file at ``path``; the defaults where there is no file. Those that are ``GONE`` say nothing.

    Raises
    ------
    DataError
        If the file is not TOML, or holds an unknown name or a value out of range; names all of them.
    """
    if not path.exists():
        return Settings()
    values = read_toml(path, name=path.name)
    for group, name in _gone(values):
        del values[group][name]
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        raise CombinedError([_explain(path.name, item) for item in error.errors()]) from error


def gone_settings(path: Path) -> list[str]:
    """Settings in the file at ``path`` that are ``GONE``, as ``group.name``."""
    return [f"{group}.{name}" for group, name in _gone(read_toml(path, name=path.name))] if path.exists() else []


def _gone(values: dict[str, Any]) -> list[tuple[str, str]]:
    groups = ((group, values.get(group), names) for group, names in GONE.items())
    return [(group, name) for group, held, names in groups if isinstance(held, dict) for name in held if name in names]


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
        raise DataError(f"cannot be read ({reason})", "put the file itself there, readable to you", name) from error
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise DataError(f"line {line} is not saved as UTF-8", "save the file again as UTF-8", name) from error
    except tomllib.TOMLDecodeError as error:
        raise DataError(f"not readable as TOML ({error})", "mend that line", name) from error
    except (RecursionError, ValueError) as error:
        raise DataError("is nested too deep, or holds numbers too long, to be read", "write it anew", name) from error


def _explain(file: str, item: Any) -> DataError:
    name = ".".join(str(part) for part in item["loc"])
    if item["type"] == "model_type":
        return DataError(
            f"{name} = {item['input']!r}: is a group of settings", f"write its settings below [{name}]", file
        )
    if item["type"] != "extra_forbidden":
        return DataError(f"{name} = {item['input']!r}: {item['msg'].lower()}", "change the value", file)
    group: Any = Settings
    for part in item["loc"][:-1]:
        group = group.model_fields[part].annotation
    near = get_close_matches(str(item["loc"][-1]), group.model_fields, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known names: {', '.join(group.model_fields) or 'none'}"
    return DataError(f"{name}: unknown setting", hint, file)
