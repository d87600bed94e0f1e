"""Bad scores, tables of notes, places, marks and audio of newer kinds: what the commands say of each, word for word.

DIR is the corpus, HERE the folder that holds it and what is given to the commands. Nothing that people keep may
change by any of them.
"""

from pathlib import Path

import pytest

from tests.helpers.spoilt_corpus import Files, everything, glideline, lay, sound_corpus, words

NOTE = "<note><pitch><step>A</step><octave>4</octave></pitch><duration>1</duration></note>"
NOTES = "bar,beat,note\n"
DECISION = "take_id,time_s,work_id,edition,event,decided_by\n"
WRITTEN = "work_id,edition,note_number,event,midi,finger,string\n"
PART: Files = {"corpus/catalogue/written_part.csv": "work_id,edition\nair,E\n"}


def score(inside: str) -> str:
    """MusicXML of one bar."""
    listed = '<part-list><score-part id="P1"><part-name>Violin</part-name></score-part></part-list>'
    bar = f'<measure number="1"><attributes><divisions>1</divisions></attributes>{inside}</measure>'
    return f'<score-partwise>{listed}<part id="P1">{bar}</part></score-partwise>'


# ruff: noqa: E501 (a line each, however long)
# fmt: off
# what is bad; files made in HERE; the command; its exit status; what it says
BAD: list[tuple[str, Files, str, int, str]] = [
    ("score that is not there", {}, "part add DIR air HERE/none.musicxml --edition E", 1, "glideline: HERE/none.musicxml: there is no such file; check its name and folder"),
    ("score of another kind", {"a.pdf": b'%PDF-1.4'}, "part add DIR air HERE/a.pdf --edition E", 1, "glideline: a.pdf: is neither .csv, .musicxml, .xml, .mxl, .mid, .mei, .krn nor .abc; export it as one of these"),
    ("score that is a folder", {"a.musicxml/x": "x"}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: is a folder; give the file itself"),
    ("empty score", {"a.musicxml": ""}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: is not readable as XML (no element found: line 1, column 0); export the part as MusicXML again"),
    ("score that is no XML", {"a.musicxml": "notes"}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: is not readable as XML (syntax error: line 1, column 0); export the part as MusicXML again"),
    ("score that ends too soon", {"a.musicxml": score(NOTE)[:200]}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: is not readable as XML (unclosed token: line 1, column 197); export the part as MusicXML again"),
    ("XML that is no score", {"a.musicxml": "<html/>"}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: its root is <html>, not a MusicXML score; export the part as MusicXML"),
    ("score with an entity bomb", {"a.musicxml": "<!DOCTYPE s [<!ENTITY a \"aaaa\"><!ENTITY b \"&a;&a;\">]><score-partwise>&b;</score-partwise>"}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: declares entities, which are not read; export the part as MusicXML again"),
    ("score that reads another file", {"a.musicxml": "<!DOCTYPE s [<!ENTITY a SYSTEM \"file:///etc/hostname\">]><score-partwise>&a;</score-partwise>"}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: declares entities, which are not read; export the part as MusicXML again"),
    ("score of rests", {"a.musicxml": score("<note><rest/><duration>4</duration></note>")}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: holds no pitched notes; export the solo part"),
    ("pitch on no letter", {"a.musicxml": score(NOTE.replace("<step>A", "<step>H"))}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: bar 1: pitch step 'H' is not a letter A to G; export again"),
    ("pitch beyond hearing", {"a.musicxml": score(NOTE.replace("<octave>4", "<octave>40"))}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: bar 1: A40 is not a pitch (MIDI 0 to 127); mend it"),
    ("duration in words", {"a.musicxml": score(NOTE.replace("<duration>1", "<duration>long"))}, "part add DIR air HERE/a.musicxml --edition E", 1, "glideline: a.musicxml: bar 1: duration = 'long' is not a number; export again"),
    ("no such part of a score", {"a.musicxml": score(NOTE)}, "part add DIR air HERE/a.musicxml --edition E --part Viola", 1, "glideline: a.musicxml: has no part 'Viola'; did you mean Violin?"),
    ("no such work", {"a.musicxml": score(NOTE)}, "part add DIR waltz HERE/a.musicxml --edition E", 1, "glideline: there is no work 'waltz' in catalogue/work.csv; `glideline query DIR slides_by_work` lists those played"),
    ("edition without a name", {"a.musicxml": score(NOTE)}, "part add DIR air HERE/a.musicxml", 2, "glideline: part add needs a FILE, and --edition: who edited and published it, and when"),
    ("part of no such deed", {"a.musicxml": score(NOTE)}, "part mend DIR air HERE/a.musicxml", 2, "glideline: invalid value for 'WHAT': 'mend' is not one of 'add', 'show', 'grow'; `glideline part --help` shows what may be given"),
    ("packed score that is no zip", {"a.mxl": "PK"}, "part add DIR air HERE/a.mxl --edition E", 1, "glideline: a.mxl: is not readable (File is not a zip file); export it again"),
    ("packed score that holds none", {"a.mxl.zip/x": ""}, "part add DIR air HERE/a.mxl.zip --edition E", 1, "glideline: a.mxl.zip: is neither .csv, .musicxml, .xml, .mxl, .mid, .mei, .krn nor .abc; export it as one of these"),
    ("MIDI that is none", {"a.mid": "MThd"}, "part add DIR air HERE/a.mid --edition E", 1, "glideline: a.mid: is not readable as MIDI (it ends too soon); export it again"),
    ("MIDI that is text", {"a.mid": "notes, notes"}, "part add DIR air HERE/a.mid --edition E", 1, "glideline: a.mid: is not readable as MIDI (MThd not found. Probably not a MIDI file); export it again"),
    ("MIDI without notes", {"a.mid": b'MThd\x00\x00\x00\x06\x00\x00\x00\x01\x00`MTrk\x00\x00\x00\x04\x00\xff/\x00'}, "part add DIR air HERE/a.mid --edition E", 1, "glideline: a.mid: holds no notes; export the solo part"),
    ("MIDI in seconds", {"a.mid": b'MThd\x00\x00\x00\x06\x00\x00\x00\x01\xe7(MTrk\x00\x00\x00\x0c\x00\x90<@@\x80<@\x00\xff/\x00'}, "part add DIR air HERE/a.mid --edition E", 1, "glideline: a.mid: counts in seconds and not in beats; export it as MIDI with beats, or as MusicXML"),
    ("MIDI in a key that is none", {"a.mid": b'MThd\x00\x00\x00\x06\x00\x00\x00\x01\x00\x60MTrk\x00\x00\x00\n\x00\xffY\x02\t\x05\x00\xff/\x00'}, "part add DIR air HERE/a.mid --edition E", 1, "glideline: a.mid: is not readable as MIDI (Could not decode key with 9 sharps and mode 5); export it again"),
    ("table of notes that is empty", {"a.csv": ""}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: is not readable as CSV (empty CSV); save it as CSV UTF-8"),
    ("table of notes without notes", {"a.csv": NOTES}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: holds no notes; write a row for each note"),
    ("table of notes in Latin-1", {"a.csv": b'bar,beat,note,slide\n1,1,A4,gliss\xe9\n'}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: is not readable as CSV (invalid utf-8 sequence); save it as CSV UTF-8"),
    ("notes under no heading", {"a.csv": "bar,beat\n1,1\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: no column note, pitch, midi or time; the columns are take, note, pitch, midi, time, bar, beat, beats, grace, string, finger, position, slide_marked, slurred_to_next, signature"),
    ("heading of notes that is unknown", {"a.csv": "bar,beat,note,fingre\n1,1,A4,2\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: unknown column 'fingre'; did you mean finger?"),
    ("bar that is none", {"a.csv": NOTES + "x,1,A4\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: row 2: bar = 'x' is not a bar; write a number, with a letter after it if need be"),
    ("beat that is none", {"a.csv": NOTES + "1,one,A4\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: row 2: beat = 'one' is not a number from 1 to 64; mend it, or leave it empty"),
    ("beat before the bar", {"a.csv": NOTES + "1,-3,A4\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: row 2: beat = '-3' is not a number from 1 to 64; mend it, or leave it empty"),
    ("note that is none", {"a.csv": NOTES + "1,1,H4\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: row 2: note = 'H4' is not a pitch; write it like F#5 or Bb3, or give a MIDI number"),
    ("row without a note", {"a.csv": NOTES + "1,1,\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: row 2: neither note nor time is given; write a pitch like F#5, or a time in s"),
    ("string that the instrument has not", {"a.csv": "bar,beat,note,string\n1,1,A4,Q\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: row 2: string = 'Q' is not a string of the instrument; the strings are G, D, A, E"),
    ("sixth finger", {"a.csv": "bar,beat,note,finger\n1,1,A4,6\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: row 2: finger = '6' is not a number from 0 to 4; mend it, or leave it empty"),
    ("time of no take", {"a.csv": "time,finger\n1.5,2\n"}, "part add DIR air HERE/a.csv --edition E", 1, "glideline: a.csv: row 2: time = 1.5 without a take; name the take in a column take"),
    ("nothing kept to show", {}, "part show DIR air", 1, "glideline: air: has no written part; `glideline part add DIR air FILE --edition \"…\"`"),
    ("grown before a run", {}, "part grow DIR air", 1, "glideline: DIR: nothing has been measured yet; run: glideline run DIR"),
    ("passage before a run", {}, "passage DIR air", 1, "glideline: DIR: nothing has been measured yet; run: glideline run DIR"),
    ("sample of nothing", {}, "listen DIR --n 0", 2, "glideline: invalid value for '--n': it should be greater than or equal to 1; `glideline listen --help` shows what may be given"),
    ("sample by what is not there", {}, "listen DIR --by colour", 2, "glideline: --by colour: choose from process, noise, accompaniment, instrument, player, kind, confidence, take"),
    ("plan before a run", {}, "plan DIR --ratio 1.5", 1, "glideline: DIR: nothing has been measured yet; run: glideline run DIR"),
    ("M4A that is none", {"a.m4a": "ftyp"}, "add DIR HERE/a.m4a -y", 1, "a.m4a: is not an audio file that can be decoded; use WAV, FLAC, AIFF, Ogg, MP3 or M4A"),
    ("M4A without its index", {"a.m4a": b'\x00\x00\x00\x18ftypM4A \x00\x00\x00\x00M4A isom\x00\x00\x00\x10mdat\x00\x00\x00\x00\x00\x00\x00\x00'}, "add DIR HERE/a.m4a -y", 1, "a.m4a: is cut short: its table of contents (moov) is missing; copy the file again from its source"),
    ("MP3 that is a picture", {"a.mp3": b'\x89PNG\r\n\x1a\n\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00'}, "add DIR HERE/a.mp3 -y", 1, "a.mp3: is not an audio file that can be decoded; use WAV, FLAC, AIFF, Ogg, MP3 or M4A"),
    ("FLAC that is cut in its head", {"a.flac": b'fLaC\x00\x00\x00"\x00\x00\x00\x00\x00'}, "add DIR HERE/a.flac -y", 1, "a.flac: is damaged or of an unsupported coding ("),
    ("Ogg that is empty", {"a.ogg": b'OggS\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00'}, "add DIR HERE/a.ogg -y", 1, "a.ogg: is cut short: its last page is not whole; copy the file again from its source"),
    ("Opus that is none", {"a.opus": b'OpusHead'}, "add DIR HERE/a.opus -y", 1, "a.opus: is not an audio file that can be decoded; use WAV, FLAC, AIFF, Ogg, MP3 or M4A"),
    ("AIFF that is cut", {"a.aiff": b'FORM\x00\x00\x01\x00AIFFCOMM'}, "add DIR HERE/a.aiff -y", 1, "a.aiff: is damaged or of an unsupported coding ("),
    ("WAV with a head and no sound", {"a.wav": b'RIFF$\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00@\x1f\x00\x00\x80>\x00\x00\x02\x00\x10\x00data\x00\x00\x00\x00'}, "add DIR HERE/a.wav -y", 1, "a.wav: holds no samples; copy the file again from its source"),
    ("place of a take that is not there", {"corpus/catalogue/place_decision.csv": DECISION + "k9,1.5,air,,3,lea\n"}, "check DIR", 1, "catalogue/place_decision.csv row 2: take_id = k9: is not in take.csv; add a row to take.csv, or mend the id"),
    ("place at no time", {"corpus/catalogue/place_decision.csv": DECISION + "k1,soon,air,,3,lea\n"}, "check DIR", 1, "catalogue/place_decision.csv row 2: time_s = soon: is not a number; write digits with a decimal point (in s, without writing the unit)"),
    ("place before the beginning", {"corpus/catalogue/place_decision.csv": DECISION + "k1,-1,air,,3,lea\n"}, "check DIR", 1, "catalogue/place_decision.csv row 2: time_s = -1: must be 0 to 100000 s; look for a slip of the keys, or a wrong unit (s is meant)"),
    ("place in a work that is not there", {"corpus/catalogue/place_decision.csv": DECISION + "k1,1.5,waltz,,3,lea\n"}, "check DIR", 1, "catalogue/place_decision.csv row 2: work_id = waltz: is not in work.csv; add a row to work.csv, or mend the id"),
    ("place at the noughth event", {"corpus/catalogue/place_decision.csv": DECISION + "k1,1.5,air,,0,lea\n"}, "check DIR", 1, "catalogue/place_decision.csv row 2: edition: air has no written part; add the part first row 2: event = 0: must be 1 to 100000; look for a slip of the keys, or a wrong unit (a plain number is meant)"),
    ("place in an edition that is not there", {"corpus/catalogue/place_decision.csv": DECISION + "k1,1.5,air,Nemo 1900,3,lea\n"}, "check DIR", 1, "catalogue/place_decision.csv row 2: edition = Nemo 1900: air has no written part 'Nemo 1900'; add the part first"),
    ("written note of no edition", {"corpus/catalogue/written_note.csv": WRITTEN + "air,E,1,1,69,1,A\n"}, "check DIR", 1, "catalogue/written_note.csv row 2: edition = E: is no edition of air in written_part.csv; add a row there, or delete its notes"),
    ("written note with a sixth finger", {**PART, "corpus/catalogue/written_note.csv": WRITTEN + "air,E,1,1,69,6,A\n"}, "check DIR", 1, "catalogue/written_note.csv row 2: finger = 6: must be 0 to 5; look for a slip of the keys, or a wrong unit (a plain number is meant)"),
    ("written note on no string", {**PART, "corpus/catalogue/written_note.csv": WRITTEN + "air,E,1,1,69,1,H\n"}, "check DIR", 1, "catalogue/written_note.csv row 2: string = H: must be one of C, G, D, A, E; choose one of these, or leave the cell empty"),
    ("written note beyond hearing", {**PART, "corpus/catalogue/written_note.csv": WRITTEN + "air,E,1,1,200,1,A\n"}, "check DIR", 1, "catalogue/written_note.csv row 2: midi = 200: must be 0 to 127 semitone; look for a slip of the keys, or a wrong unit (semitone is meant) catalogue/written_part.csv row 2: edition = E: has no notes for air; read it in by `glideline part add`, or delete the row"),
    ("same written note twice", {**PART, "corpus/catalogue/written_note.csv": WRITTEN + "air,E,1,1,69,1,A\nair,E,1,2,71,1,A\n"}, "check DIR", 1, "catalogue/written_note.csv row 3: work_id + edition + note_number = air, E, 1: stands already in row 2; keep one of the two rows"),
    ("two editions that both name the places", {"corpus/catalogue/written_part.csv": "work_id,edition,is_reference\nair,E,yes\nair,F,yes\n"}, "check DIR", 1, "catalogue/written_part.csv row 2: edition = E: has no notes for air; read it in by `glideline part add`, or delete the row row 3: edition = F: has no notes for air; read it in by `glideline part add`, or delete the row row 3: is_reference = yes: is a second reference of air, beside 'E'; leave one of them; it names the places"),
    ("way on to nowhere", {**PART, "corpus/catalogue/written_note.csv": WRITTEN + "air,E,1,1,69,1,A\n", "corpus/catalogue/written_way.csv": "work_id,edition,from_event,to_event\nair,E,1,9\n"}, "check DIR", 1, "catalogue/written_way.csv way: this column is missing; add it: What is printed: back for a repeat, on to a second or later ending, back to the beginning or the sign, on to the coda, the end."),
    ("marks under wrong headings", {"corpus/reviews/lea.marks.csv": "when,what\n1,slide\n"}, "check DIR", 1, "reviews/lea.marks.csv listener: this column is missing; add it: Who listened. marked_on: this column is missing; add it: Day on which it was marked. samples_sha256: this column is missing; add it: Hash of the decoded samples that were heard. transfer_end_s: this column is missing; add it: Where it stops, in transfer time. transfer_id: this column is missing; add it: The transfer heard. transfer_start_s: this column is missing; add it: Where the slide begins to be heard, in transfer time. row 1: what: is not a column of mark; known columns: transfer_id, samples_sha256, transfer_start_s, transfer_end_s, kind, listener, marked_on, comment row 1: when: is not a column of mark; known columns: transfer_id, samples_sha256, transfer_start_s, transfer_end_s, kind, listener, marked_on, comment"),
]
# fmt: on


@pytest.mark.parametrize(("what", "files", "command", "status", "message"), BAD, ids=[case[0] for case in BAD])
def test_what_is_bad_is_said(tmp_path: Path, what: str, files: Files, command: str, status: int, message: str) -> None:
    sound_corpus(tmp_path / "corpus")
    lay(tmp_path, files)
    before = everything(tmp_path)
    said = glideline(*words(command, tmp_path))
    assert said.status == status
    assert message in said.words.replace(str(tmp_path / "corpus"), "DIR").replace(str(tmp_path), "HERE")
    assert everything(tmp_path) == before
