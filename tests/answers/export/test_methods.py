"""Words for print: made from the settings and tables in use, so that each setting changes them."""

import re

import pytest
from typer.testing import CliRunner

from pipeline.answers.export import methods
from pipeline.answers.open_corpus import open_corpus
from pipeline.cli import app
from pipeline.settings import Settings
from pipeline.store.corpus import Corpus
from tests.helpers.made_rows import corpus_folder, joined, small

OTHER = {"network": "comb", "learned": "rules"}


def said(root, settings=""):
    (root / "settings.toml").write_text(settings)
    with open_corpus(root) as opened:
        tables = {"take": opened.view("export.take_for_models")}
        return methods.paragraph(opened, Corpus(root), tables=tables, withheld={"t9": "private"})


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    return corpus_folder(tmp_path_factory.mktemp("corpus"), **small())


def other(value, field):
    if isinstance(value, bool):
        return str(not value).lower()
    if isinstance(value, str):
        return f'"{OTHER[value]}"'
    least = next((rule.ge for rule in field.metadata if hasattr(rule, "ge")), None)
    return str(least if least is not None and least != value else value * 0.9 or 1)


def settings_of_steps():
    for group in ("intake", "follow", "settle", "detect", "recover", "hand", "summarise"):
        fields = type(getattr(Settings(), group)).model_fields
        yield from ((group, name, field) for name, field in fields.items())


@pytest.mark.parametrize(
    ("group", "name", "field"), [pytest.param(*each, id=".".join(each[:2])) for each in settings_of_steps()]
)
def test_each_setting_changes_the_words(root, group, name, field):
    value = other(getattr(getattr(Settings(), group), name), field)
    assert said(root) != said(root, f"[{group}]\n{name} = {value}\n")


def test_words_name_what_followed_and_what_judged(root):
    usual = said(root)
    assert "with the help of a small trained network" in usual
    assert "judged by boosted trees trained on rendered sides; slides of a confidence of 0.7 and more" in usual
    plain = said(root, '[follow]\nscoring = "comb"\n[detect]\nacceptance = "rules"\nleast_confidence = 0.5\n')
    assert "network" not in plain
    assert "judged by plain rules; slides of a confidence of 0.5 and more" in plain


def test_a_few_excerpts_are_too_few_rather_than_nothing(tmp_path):
    place = {
        "transfer_id": "x1", "transfer_start_s": 1.0, "transfer_end_s": 1.2, "samples_sha256": "a" * 64,
        "sample_id": "n1", "item_id": "i1",
    }  # fmt: skip
    heard = {
        "drawn_item": [{**place, "drawn_from": "slide"}],
        "review": [{**place, "verdict": "slide", "listener": "lee", "judged_on": "2026-01-01"}],
    }
    root = corpus_folder(tmp_path, **joined(small(), heard))
    assert "of which 1 excerpt judged by ear say too little on this corpus" in said(root)
    asked = " ".join(CliRunner().invoke(app, ["query", str(root), "slides_by_player"]).stderr.split())
    assert "uncorrected: 1 excerpt judged by ear so far, too few there to say" in asked
    assert "`glideline listen` tells" not in asked


def test_words_count_in_singular_and_plural_and_say_what_is_not_known(root):
    words = said(root)
    judged = "2 could be judged: 2 slides found in 6 transitions and 3.0 minutes of solo."
    assert f"Of 3 takes of 2 players, {judged}" in words
    assert "- 1 take withheld for rights or privacy" in words
    assert "- 1 take not judged: a voice plays too" in words
    assert "not corrected for slides missed and invented, of which nothing is known on this corpus" in words
    # Two players: no interval of this corpus was resampled.
    assert "negative binomial" in words
    assert "resampling whole clusters" not in words


def test_words_tell_the_plantings_that_rates_rest_on_and_the_range_of_takes_from_limits(tmp_path):
    recovery = [
        {"recovery_id": f"{transfer}-r{n}", "transfer_id": transfer, "duration_ms": 200.0, "interval_cents": 300.0,
         "kind": "same_finger", "fall_db": 3.0, "found": n % 2 == 0}
        for transfer in ("x1", "x3")
        for n in range(60)
    ]  # fmt: skip
    words = said(corpus_folder(tmp_path, **joined(small(), {"recovery": recovery})))
    # The third take could not be judged: what was planted there says nothing of a rate.
    assert "60 slides planted in 1 side that count" in words
    each = re.search(r"For each slide found there are ([\d.]+) \(([\d.]+)–([\d.]+)\) slides in the takes", words)
    middle, low, high = map(float, each.groups())
    assert low < middle < high
    assert "from take to take it goes from" in words
