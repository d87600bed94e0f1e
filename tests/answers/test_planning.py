"""What a comparison needs, told with the uncertainty of what players differ by."""

import re

import pytest

from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.planning import CHANGE_SPREAD, planned
from pipeline.answers.sentences import sentences
from pipeline.errors import DataError
from pipeline.stats.planning import Design, players_needed
from tests.helpers.made_rows import corpus_folder, many_players


def test_players_needed_are_told_at_the_spread_and_at_its_limits(tmp_path):
    root = corpus_folder(tmp_path, **many_players())
    with OpenCorpus(root) as corpus:
        row = corpus.view("summary.player_effect", where="measure = 'slides_per_minute'").row(0, named=True)
    wanted = [
        players_needed(Design(row[name], row["session_spread"], CHANGE_SPREAD, 2, 30), ratio=1.5, same_players=False)
        for name in ("player_spread", "player_spread_low", "player_spread_high")
    ]
    line = next(line for line in planned(root, ratios=[1.5], days=2, slides=30) if "ratio 1.5" in line)
    told = re.search(r"1\.5: ([\d,]+) \(([\d,]+) to ([\d,]+)\) players in each group", line)
    assert [int(each.replace(",", "")) for each in told.groups()] == wanted
    assert wanted[1] < wanted[0] < wanted[2]


def test_five_players_with_few_slides_tell_no_spread_and_no_plan(tmp_path):
    tables = many_players()
    for name in ("performance", "solo_span"):
        players = sorted({row["player_id"] for row in tables[name]})[:5]
        tables[name] = [row for row in tables[name] if row["player_id"] in players]
    tables["slide"] = tables["slide"][::6]
    root = corpus_folder(tmp_path, **tables)
    with OpenCorpus(root) as corpus:
        made = corpus.view("summary.player_effect", where="measure = 'slides_per_minute'")
        said = " ".join(sentences("player_effect", made) or ())
    assert made["slides"].sum() < 10 * made.height
    assert made["player_spread"].to_list() == [None] * 5
    assert "differ by" not in said
    assert "5 of the 15 players that telling how they differ needs, as half of them have fewer than 10 slides" in said
    with pytest.raises(DataError, match="as half of them have fewer than 10 slides"):
        planned(root, ratios=[1.5], days=2, slides=30)
