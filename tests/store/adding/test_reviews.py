"""Verdicts taken in: whoever writes his name this way or that stays one listener."""

import pytest

from pipeline.errors import DataError
from pipeline.store.adding.reviews import take_in
from pipeline.store.catalogue.tables import Catalogue
from pipeline.store.corpus import Corpus

HEAD = "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id\n"


def saved(corpus, listener, *, start=1, verdict="slide", day="2026-01-05"):
    """A saved file with one verdict."""
    transfer = Catalogue(corpus).frame("transfer")["transfer_id"][0]
    path = corpus / "saved.csv"
    row = f"{transfer},{'0' * 64},{start},{start + 1},{verdict},,{listener},{day},\n"
    path.write_text(HEAD + row, encoding="utf-8")
    return path


def test_a_name_is_one_listener_however_it_is_written(corpus):
    first = take_in(Corpus(corpus), saved(corpus, "Zoë de Björn"))
    assert (first.added, first.ids) == ({"zoe-de-bjorn": 1}, {"Zoë de Björn": "zoe-de-bjorn"})
    for start, name in enumerate(("zoe-de-bjorn", "ZOE DE BJORN", "Zoe_de_Bjorn", " Zoë  de Björn"), start=2):
        assert take_in(Corpus(corpus), saved(corpus, name, start=start)).added == {"zoe-de-bjorn": 1}
    assert [path.name for path in (corpus / "reviews").iterdir()] == ["zoe-de-bjorn.csv"]
    assert set(Catalogue(corpus).frame("review")["listener"]) == {"zoe-de-bjorn"}


def test_an_id_stays_as_it_is_and_a_name_nearly_the_same_is_told(corpus):
    assert take_in(Corpus(corpus), saved(corpus, "lea_2")).ids == {}
    assert take_in(Corpus(corpus), saved(corpus, "lea_3")).nearly == {"lea_3": "lea_2"}
    assert take_in(Corpus(corpus), saved(corpus, "otto")).nearly == {}
    assert sorted(path.name for path in (corpus / "reviews").iterdir()) == ["lea_2.csv", "lea_3.csv", "otto.csv"]


@pytest.mark.parametrize(("name", "cure"), [("李", "small letters and digits"), ("", "fill it in")])
def test_a_name_without_latin_letters_is_refused_with_a_cure(corpus, name, cure):
    with pytest.raises(DataError, match=f"listener.*{cure}"):
        take_in(Corpus(corpus), saved(corpus, name))
    assert list((corpus / "reviews").iterdir()) == []


def test_a_verdict_withdrawn_stands_no_more_until_it_is_given_anew(corpus):
    for verdict, day, left in (
        ("slide", "2026-01-05", ["slide"]),
        ("withdrawn", "2026-01-05", []),
        ("slide", "2026-01-05", ["slide"]),
        ("withdrawn", "2026-01-07", []),
        ("no_slide", "2026-01-08", ["no_slide"]),
    ):
        take_in(Corpus(corpus), saved(corpus, "lea", verdict=verdict, day=day))
        assert Catalogue(corpus).frame("review")["verdict"].to_list() == left
    take_in(Corpus(corpus), saved(corpus, "lea", start=5))
    assert Catalogue(corpus).frame("review").height == 2


def test_samples_and_excerpts_that_were_never_drawn_are_named(corpus):
    drawn = corpus / "reviews" / "drawn" / "sample-1.csv"
    drawn.parent.mkdir()
    columns = "sample_id,item_id,transfer_id,samples_sha256,transfer_start_s,transfer_end_s,drawn_from,stratum"
    row = f"sample-1,item-1,t1,{'0' * 64},1,2,slide,all,10,5"
    drawn.write_text(f"{columns},stratum_size,stratum_drawn\n{row}\n", encoding="utf-8")
    path = saved(corpus, "lea")
    head, said = path.read_text().splitlines()
    samples = ["sample-1,item-1", "sample-1,item-9", "sample-2,item-1", "sample-1,", ","]
    lines = [f"{head},item_id", *(said + sample for sample in samples)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert take_in(Corpus(corpus), path).undrawn == ("sample-1 item-9", "sample-2 item-1")
