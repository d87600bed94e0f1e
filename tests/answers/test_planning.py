"""What a comparison needs, told with the uncertainty of what players differ by."""

import re

from pipeline.answers.open_corpus import OpenCorpus
from pipeline.answers.planning import CHANGE_SPREAD, planned
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
