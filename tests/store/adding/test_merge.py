"""A colleague's package merged: two people stay two, cures hold, and nothing comes twice."""

import json

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import DataError
from pipeline.store.adding.merge import merge, new_from, plan_merge
from pipeline.store.adding.reviews import code_of, code_salt
from pipeline.store.corpus import Corpus
from tests.helpers.small_catalogue import CATALOGUE

SHA = "0" * 64
REVIEW = (
    "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on,sample_id,item_id\n"
)
DRAWN = (
    "sample_id,item_id,transfer_id,samples_sha256,transfer_start_s,transfer_end_s,drawn_from,stratum,stratum_size,"
    "stratum_drawn,player_id,take_id\n"
    f"sample-1,item-1,t1,{SHA},1,2,slide,all,10,5,anna-vint,k1\n"
)


def verdict(start, said="slide", listener="lea", sample=","):
    return f"t1,{SHA},{start},{start + 1},{said},,{listener},2026-01-05,{sample}\n"


@pytest.fixture
def package(tmp_path):
    """Makes a package that holds the small catalogue and more."""

    def made(**tables):
        folder = tmp_path / "package"
        for name, text in {**CATALOGUE, **tables}.items():
            path = folder / ("reviews" if name in ("review", "mark", "drawn_item") else "catalogue") / f"{name}.csv"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        (folder / "datapackage.json").write_text("{}", encoding="utf-8")
        return folder

    return made


def heard(corpus, *rows):
    (corpus / "reviews" / "lea.csv").write_text(REVIEW + "".join(rows), encoding="utf-8")


def test_two_people_of_one_name_do_not_share_a_file_unless_it_is_said(corpus, package):
    heard(corpus, verdict(1))
    folder = package(review=REVIEW + verdict(1, "no_slide") + verdict(5))
    with pytest.raises(DataError, match="listener 'lea' means something else here; map it to 'lea-2'"):
        merge(Corpus(corpus), folder, mapping={})
    merge(Corpus(corpus), folder, mapping={("listener", "lea"): "lea-2"})
    assert {p.name: len(p.read_text().splitlines()) - 1 for p in (corpus / "reviews").glob("*.csv")} == {
        "lea.csv": 1,
        "lea-2.csv": 2,
    }
    again = plan_merge(Corpus(corpus), folder)
    assert (again.rows, again.clashes, again.differences) == ({}, [], [])


def test_one_person_goes_on_in_his_own_file(corpus, package):
    heard(corpus, verdict(1))
    later = package(review=REVIEW + verdict(1) + verdict(5))  # what he said here comes back, and more
    assert [row["transfer_start_s"] for row in plan_merge(Corpus(corpus), later).rows["review"]] == ["5.0"]
    strange = package(review=REVIEW + verdict(7))
    merge(Corpus(corpus), strange, mapping={("listener", "lea"): "lea"})
    assert len((corpus / "reviews" / "lea.csv").read_text().splitlines()) == 3


def test_who_went_out_under_a_code_is_known_when_it_comes_back(corpus, package):
    heard(corpus, verdict(1))
    code = code_of("lea", code_salt(Corpus(corpus)))
    folder = package(review=REVIEW + verdict(1, listener=code) + verdict(5, listener=code))
    assert [row["listener"] for row in plan_merge(Corpus(corpus), folder).rows["review"]] == ["lea"]


def test_what_no_new_id_can_part_is_named_with_the_files_to_edit(corpus, package):
    part = "work_id,edition,editor_id\nair,Made 1900,{}\n"
    (corpus / "catalogue" / "written_part.csv").write_text(part.format("anna-vint"), encoding="utf-8")
    heard(corpus, verdict(1), verdict(5))
    folder = package(written_part=part.format("bela-ort"), review=REVIEW + verdict(1) + verdict(5, "no_slide"))
    plan = plan_merge(Corpus(corpus), folder)
    assert plan.clashes == []
    assert sorted(map(str, plan.differences)) == [
        "review t1, 5.0, lea, 2026-01-05: verdict here slide, there no_slide",
        "written_part air, Made 1900: editor_id here anna-vint, there bela-ort",
    ]
    said = CliRunner().invoke(app, ["add", str(corpus), "--package", str(folder), "--yes"]).stderr
    assert (
        "To keep ours, write the same in reviews/review.csv of the package; to take theirs, in reviews/lea.csv" in said
    )
    theirs = corpus / "catalogue" / "written_part.csv"
    theirs.write_text(part.format("bela-ort"), encoding="utf-8")
    package(review=REVIEW + verdict(1) + verdict(5))
    assert plan_merge(Corpus(corpus), folder).differences == []  # both cures hold


def test_a_package_that_comes_again_is_known_by_the_ids_given_before(corpus, package):
    playing = CATALOGUE["performance"] + "k2,bela-ort,piano,accompanist,certain\n"
    folder = package(player=CATALOGUE["player"].replace("Bela Ort", "Bela Orten"), performance=playing)
    clash = plan_merge(Corpus(corpus), folder).clashes
    assert [(c.table, c.id, c.proposed) for c in clash] == [("player", "bela-ort", "bela-ort-2")]
    merge(Corpus(corpus), folder, mapping={("player", "bela-ort"): "bela-ort-2"})
    again = plan_merge(Corpus(corpus), folder)
    assert (again.rows, again.clashes, again.differences) == ({}, [], [])
    ours = package(player=CATALOGUE["player"], performance=playing)  # whoever means our own player is not renamed
    assert {row["player_id"] for row in plan_merge(Corpus(corpus), ours).rows["performance"]} == {"bela-ort"}


def test_drawn_samples_come_with_the_verdicts(corpus, package, tmp_path):
    folder = package(review=REVIEW + verdict(1, sample="sample-1,item-1"), drawn_item=DRAWN)
    for root in (new_from(tmp_path / "new", folder), corpus):
        if root == corpus:
            merge(Corpus(root), folder, mapping={})
        assert (root / "reviews" / "drawn" / "sample-1.csv").is_file()
        assert Corpus(root).catalogue.frame("drawn_item")["stratum_size"].to_list() == [10]


def test_verdicts_without_their_samples_are_told(package, tmp_path):
    told = []
    new_from(tmp_path / "new", package(review=REVIEW + verdict(1, sample="sample-1,item-1")), say=told.append)
    assert [remark.partition(" are ")[0] for remark in told] == ["The samples of 1 of the verdicts"]
    told.clear()
    new_from(tmp_path / "newer", package(drawn_item=DRAWN), say=told.append)
    assert told == []


def test_printed_fingerings_that_stand_in_a_written_part_come_once(package, tmp_path):
    printed = "air,{0},1,69\nair,{0},2,71\n"
    told = []
    folder = package(
        written_part="work_id,edition\nair,Made 1900\n",
        written_note="work_id,edition,note_number,event,bar_index,midi\nair,Made 1900,1,1,1,69\n",
        printed_fingering="".join(
            ["work_id,edition,note_number,midi\n", printed.format("Made 1900"), printed.format("Other 1910")]
        ),
    )
    made = Corpus(new_from(tmp_path / "new", folder, say=told.append))
    text = (made.root / "catalogue" / "printed_fingering.csv").read_text(encoding="utf-8-sig")
    assert (text.count("Made 1900"), text.count("Other 1910")) == (0, 2)
    assert made.catalogue.frame("written_note").filter(edition="Made 1900").height == 1
    assert told == ["Printed fingerings stand in written_part and written_note; printed_fingering is left out."]


@pytest.mark.parametrize(("scheme", "taken"), [("halves", "halves"), ("no such", ""), (3, "")])
def test_the_scheme_of_periods_is_taken_over(package, tmp_path, scheme, taken):
    folder = package()
    (folder / "datapackage.json").write_text(json.dumps({"default_period_scheme": scheme}), encoding="utf-8")
    assert Corpus(new_from(tmp_path / "new", folder)).settings.default_period_scheme == taken


def test_what_only_points_to_a_clash_is_told_when_that_is_solved(corpus, package):
    work = CATALOGUE["work"] + "air-2,Air,Other,\n"
    (corpus / "catalogue" / "work.csv").write_text(work, encoding="utf-8")
    take = corpus / "catalogue" / "take.csv"
    take.write_text(take.read_text().replace("k1,air,", "k1,air-2,"), encoding="utf-8")
    folder = package(work=CATALOGUE["work"].replace("Nemo", "Other").replace("D major", ""))
    told = [plan_merge(Corpus(corpus), folder, mapping=m).clashes for m in ({}, {("work", "air"): "air-2"})]
    assert [[(c.table, c.id) for c in clashes] for clashes in told] == [[("work", "air")], [("take", "k2")]]
