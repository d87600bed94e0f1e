"""Settings of a corpus: one frozen group per step; unknown keys are refused with the nearest known name."""

import tomllib
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import DataError


class Group(BaseModel):
    """A group of settings; immutable, and strict about names."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class FollowSettings(Group):
    """The melody tracker."""

    scoring: Literal["network", "comb"] = Field(
        "comb",
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


class HandSettings(Group):
    """Strings, positions and fingers."""


class SummariseSettings(Group):
    """Rates and their intervals."""


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


class Settings(Group):
    """All settings of a corpus; the names of the groups are the names of the steps."""

    title: str = ""
    default_period_scheme: str = ""
    intake: IntakeSettings = Field(default_factory=IntakeSettings)
    follow: FollowSettings = Field(default_factory=FollowSettings)
    measure: MeasureSettings = Field(default_factory=MeasureSettings)
    settle: SettleSettings = Field(default_factory=SettleSettings)
    detect: DetectSettings = Field(default_factory=DetectSettings)
    hand: HandSettings = Field(default_factory=HandSettings)
    summarise: SummariseSettings = Field(default_factory=SummariseSettings)


def read_settings(path: Path) -> Settings:
    """Settings of the file at ``path``; the defaults where there is no file.

    Raises
    ------
    DataError
        If the file is not TOML, or holds an unknown name or a value out of range; names all of them.
    """
    if not path.exists():
        return Settings()
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise DataError(f"{path.name}: not readable as TOML ({error}); mend that line") from error
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        raise DataError("\n".join(_explain(path.name, item) for item in error.errors())) from error


def _explain(file: str, item: Any) -> str:
    where = ".".join(str(part) for part in item["loc"])
    if item["type"] != "extra_forbidden":
        return f"{file}: {where} = {item['input']!r}: {item['msg'].lower()}; change the value"
    group: Any = Settings
    for part in item["loc"][:-1]:
        group = group.model_fields[part].annotation
    near = get_close_matches(str(item["loc"][-1]), group.model_fields, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known names: {', '.join(group.model_fields) or 'none'}"
    return f"{file}: {where}: unknown setting; {hint}"
