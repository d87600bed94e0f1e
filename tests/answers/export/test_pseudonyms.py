"""Codes of listeners: stable in a corpus, never shared by two people, and not to be guessed from a name."""

import re
import shutil

from pipeline.answers.export.pseudonyms import pseudonyms
from pipeline.store.corpus import Corpus

HEAD = "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id\n"


def listened(root, *names):
    for name in names:
        row = f"t1,{'0' * 64},1,2,slide,,{name},2026-01-05,\n"
        (root / "reviews" / f"{name}.csv").write_text(HEAD + row, encoding="utf-8")
    return Corpus(root)


def test_codes_stay_in_a_corpus_and_differ_between_people_and_corpora(corpus, tmp_path):
    other = shutil.copytree(corpus, tmp_path / "other")
    first = pseudonyms(listened(corpus, "lea", "max"))
    assert all(re.fullmatch("listener-[0-9a-f]{10}", code) for code in first.values())
    assert pseudonyms(listened(corpus, "ann"))["lea"] == first["lea"]  # whoever comes before in the alphabet
    theirs = pseudonyms(listened(other, "lea", "max"))
    assert len({*first.values(), *theirs.values()}) == 4


def test_a_code_that_came_from_a_colleague_and_an_agreed_name_stay(corpus):
    (corpus / "settings.toml").write_text('[export]\nnamed_listeners = ["lea"]\n', encoding="utf-8")
    names = ("lea", "listener-0123456789")
    assert pseudonyms(listened(corpus, *names)) == {name: name for name in names}
    assert not (corpus / "reviews" / "code-salt.txt").exists()
