"""The kinds of slide are said once; what SQL, schemas and arrays say of them is held against that."""

import re
from pathlib import Path

import numpy as np
import pytest

import pipeline
from pipeline import resources
from pipeline.kinds import KINDS, NAMED_KINDS, Kind, likeliest_named
from pipeline.signal.hand import heard
from pipeline.signal.slides.glide_fit import MODEL_OF_KIND, SLIDE_MODELS
from pipeline.store import schema

PACKAGE = Path(pipeline.__file__).parent
FEWER = {"base.recovery.kind"}  # only kinds that are planted


def test_schemas_list_all_kinds_in_order() -> None:
    listed = {
        f"{relation.layer}.{relation.name}.{column.name}": column.values
        for relation in schema.relations()
        for column in relation.columns
        if column.values and Kind.SAME_FINGER in column.values
    }
    assert len(listed) > 10
    wrong = {name: values for name, values in listed.items() if tuple(values) != KINDS and name not in FEWER}
    assert wrong == {}
    assert all(set(listed[name]) < set(NAMED_KINDS) for name in FEWER)


def test_slides_have_a_probability_for_each_kind() -> None:
    named = [column.name for column in schema.load("slide").columns if column.name.startswith("p_")]
    assert [name for name in named if not name.startswith(("p_stroke", "p_slur"))][: len(KINDS)] == [
        f"p_{k}" for k in KINDS
    ]


def test_queries_name_no_other_kinds() -> None:
    texts = [path.read_text(encoding="utf-8") for path in sorted(resources.folder("queries").rglob("*.sql"))]
    texts += [path.read_text(encoding="utf-8") for path in sorted((PACKAGE / "steps").rglob("*.py"))]
    named = {word for text in texts for word in re.findall(r"'(\w+_finger|into_\w+)'", text)}
    assert named
    assert named <= set(KINDS)


def test_no_code_says_a_kind_again() -> None:
    again = re.compile(f'"({"|".join(NAMED_KINDS)})"')
    found = [
        path.relative_to(PACKAGE).as_posix()
        for path in sorted(PACKAGE.rglob("*.py"))
        if again.search(path.read_text(encoding="utf-8")) and path.name != "kinds.py"
    ]
    assert found == []


def test_places_and_models_follow_the_kinds() -> None:
    places = (heard.SAME, heard.DEPARTING, heard.ARRIVING, heard.TWO, heard.INTO, heard.CANNOT_TELL)
    assert places == tuple(range(len(KINDS)))
    assert heard.KIND_PRIOR.shape == (len(KINDS),)
    assert tuple(MODEL_OF_KIND) == NAMED_KINDS
    assert tuple(MODEL_OF_KIND.values()) == SLIDE_MODELS


@pytest.mark.parametrize("kind", NAMED_KINDS)
def test_the_likeliest_is_never_cannot_tell(kind: Kind) -> None:
    probabilities = np.full(len(KINDS), 0.05)
    probabilities[kind.place], probabilities[Kind.CANNOT_TELL.place] = 0.3, 0.5
    assert likeliest_named(probabilities) is kind
