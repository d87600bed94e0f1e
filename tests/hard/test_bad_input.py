"""Bad catalogues, settings, reviews and audio: what ``check`` says of each, word for word, and nothing lost by it.

Each line of the tables is one bad thing, put into a corpus in which nothing is wrong, with the message that its
owner reads. ``test_bad_commands.py`` goes on with what can be given to the other commands.
"""

import errno
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from pipeline.store.audio.whole_sound import samples_hash
from tests.helpers.spoilt_corpus import HASH, RATE_HZ, TABLES, failing, glideline, hand_kept, sound_corpus, tone

Spoil = Callable[[Path], object]


def row(table: str, *lines: str) -> Spoil:
    """Adds lines to a table."""

    def spoil(root: Path) -> None:
        with (root / "catalogue" / f"{table}.csv").open("a", encoding="utf-8", newline="") as file:
            file.write("".join(f"{line}\n" for line in lines))

    return spoil


def whole(table: str, *lines: str) -> Spoil:
    """Writes a table anew."""
    return put(f"catalogue/{table}.csv", "\n".join(lines) + "\n")


def instead(table: str, old: str, new: str) -> Spoil:
    """Changes a cell of a table."""
    assert old in TABLES[table]
    return whole(table, *TABLES[table].replace(old, new, 1).splitlines())


def put(name: str, content: str | bytes) -> Spoil:
    """Writes a file."""
    raw = content.encode() if isinstance(content, str) else content

    def spoil(root: Path) -> None:
        (root / name).parent.mkdir(exist_ok=True)
        (root / name).write_bytes(raw)

    return spoil


def folder(name: str) -> Spoil:
    """Puts a folder where a file belongs."""

    def spoil(root: Path) -> None:
        (root / name).unlink(missing_ok=True)
        (root / name).mkdir()

    return spoil


def link(name: str, *, folder: bool = False) -> Spoil:
    """Puts a link to something outside the corpus in the place of one of its parts."""

    def spoil(root: Path) -> None:
        outside = root.parent / "outside"
        if folder:
            (root / name).rename(outside)
        else:
            outside.write_bytes((root / name).read_bytes())
            (root / name).unlink()
        (root / name).symlink_to(outside)

    return spoil


def samples(values: np.ndarray, *, rate: int = RATE_HZ, subtype: str = "PCM_16") -> Spoil:
    """Writes other sound into one.wav."""
    return lambda root: soundfile.write(root / "audio" / "one.wav", values, rate, subtype=subtype)


def both(*spoils: Spoil) -> Spoil:
    """Several at once."""

    def spoil(root: Path) -> None:
        for each in spoils:
            each(root)

    return spoil


def review(*cells: str, file: str = "lea.csv") -> Spoil:
    """Writes a listener's file with one verdict."""
    head = "transfer_id,samples_sha256,transfer_start_s,transfer_end_s,verdict,kind,listener,judged_on"
    return put(f"reviews/{file}", f"{head}\n{','.join(cells)}\n")


def cut_short(root: Path) -> None:
    """Takes the last bytes off one.wav."""
    path = root / "audio" / "one.wav"
    path.write_bytes(path.read_bytes()[:-1001])


NOISE = np.random.default_rng(3).normal(0, 0.1, 3 * RATE_HZ)
OTHER_SOUND = "f" * 64

# ruff: noqa: E501 (a line each, however long)
# fmt: off
# what is bad; how it comes about; the file it is said of; what is said
BAD: list[tuple[str, Spoil, str, str]] = [
    # --- files and encodings
    ("table saved as UTF-16", put("catalogue/player.csv", TABLES["player"].encode("utf-16")), "catalogue/player.csv", "is not saved as UTF-8; save it again as 'CSV UTF-8'"),
    ("table saved as Latin-1", put("catalogue/player.csv", "player_id,name\nanna-vint,Anna Vint\nbela-ort,Béla Ort\n".encode("latin-1")), "catalogue/player.csv", "row 3: name = Béla Ort: is not saved as UTF-8; save the file again as 'CSV UTF-8'"),
    ("zero byte in a cell", row("player", "cy,Cy \x00 Tarn,," + " " * 300), "catalogue/player.csv", "row 4: name = Cy \\x00 Tarn: holds a zero byte; type the cell again"),
    ("cell of 25,000 letters", row("player", f"cy,{'x' * 25_000},,"), "catalogue/player.csv", "row 4: name = xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx… (25000 characters): is longer than 20000 characters; shorten it"),
    ("quotation mark without its twin", row("player", 'cy,"Cy Tarn,1901,', "dora,Dora,,"), "catalogue/player.csv", "row 4: cannot be read beyond this row (unexpected end of data); look for a quotation mark without its twin"),
    ("more cells than headings", row("player", "cy,Cy Tarn,1901,,,brother, of Dora"), "catalogue/player.csv", "row 4:  = brother: has more cells than there are headings; quote cells that hold a separator"),
    ("one heading twice", instead("player", "born,died", "born,born"), "catalogue/player.csv", "row 1: born: stands twice among the headings; keep one of the two columns"),
    ("misspelt heading", instead("player", "born", "borne"), "catalogue/player.csv", "row 1: borne: is not a column of player; did you mean born?"),
    ("heading that is no column", instead("player", "born", "shoe_size"), "catalogue/player.csv", "row 1: shoe_size: is not a column of player; known columns: player_id, name, sort_name, born, died, birth_place, isni, viaf, wikidata, musicbrainz, source_id, note"),
    ("needed column missing", whole("player", "name,born", "Anna Vint,1870"), "catalogue/player.csv", "player_id: this column is missing; add it: Id of the person."),
    ("empty file", put("catalogue/player.csv", b""), "catalogue/player.csv", "has no headings; begin it with: player_id,name,sort_name,born,…"),
    ("nothing but a byte order mark", put("catalogue/player.csv", b"\xef\xbb\xbf\r\n"), "catalogue/player.csv", "has no headings; begin it with: player_id,name,sort_name,born,…"),
    ("folder in the place of a table", folder("catalogue/player.csv"), "catalogue/player.csv", "cannot be read (Is a directory); check that it is a file and that you may read it"),
    ("table that is a link out", link("catalogue/player.csv"), "catalogue/player.csv", "is a link that leads out of the corpus, and is not read; put the file itself in its place"),
    ("misspelt table", put("catalogue/players.csv", "player_id,name\n"), "catalogue/players.csv", "is not a table of the catalogue and not read; did you mean player.csv?"),
    ("spreadsheet among the tables", put("catalogue/discs.xlsx", b"PK\x03\x04"), "catalogue/discs.xlsx", "is not a table of the catalogue and not read; tables are: default_pitch.csv, issue.csv, label_speed.csv, passage.csv, performance.csv, period.csv, place_decision.csv, player.csv, printed_fingering.csv, reference_pitch.csv, school.csv, school_membership.csv, session.csv, side.csv, side_take.csv, source.csv, speed_decision.csv, take.csv, teaching.csv, transfer.csv, work.csv, written_note.csv, written_part.csv, written_way.csv"),
    # --- ids and names
    ("id with capitals and spaces", row("player", "Cy Tarn,Cy Tarn,,"), "catalogue/player.csv", "row 4: player_id = Cy Tarn: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write cy-tarn"),
    ("id that climbs out", row("player", "../../cy,Cy Tarn,,"), "catalogue/player.csv", "row 4: player_id = ../../cy: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write cy"),
    ("id with a quote", row("player", "o'neil,Cy O'Neil,,"), "catalogue/player.csv", "row 4: player_id = o'neil: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write o-neil"),
    ("id with an SQL ending", row("player", "cy'; drop table player; --,Cy,,"), "catalogue/player.csv", "row 4: player_id = cy'; drop table player; --: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write cy-drop-table-player"),
    ("id of 65 letters", row("player", f"{'c' * 65},Cy Tarn,,"), "catalogue/player.csv", "row 4: player_id = ccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc"),
    ("id that turns the text round", row("player", "cy\u202etarn,Cy Tarn,,"), "catalogue/player.csv", "row 4: player_id = cy\\u202etarn: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write cytarn"),
    ("id in another script", row("player", "антон,Антон,,"), "catalogue/player.csv", "row 4: player_id = антон: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write small letters and digits"),
    ("id that Windows keeps for itself", row("player", "con,Con Tarn,,"), "catalogue/player.csv", "row 4: player_id = con: is a name that Windows keeps for itself; write con-1"),
    ("empty id", row("player", ",Cy Tarn,,"), "catalogue/player.csv", "row 4: player_id: must not be empty; fill it in: id of the person."),
    ("same id twice", row("player", "anna-vint,Anna Vint,1871,"), "catalogue/player.csv", "row 4: player_id = anna-vint: stands already in row 2; give one of the two another id"),
    ("same id in other letters", row("transfer", "T1,s1,one.wav,78.26"), "catalogue/transfer.csv", "row 4: transfer_id = T1: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; write t1"),
    ("empty name", row("player", "cy,,,"), "catalogue/player.csv", "row 4: name: must not be empty; fill it in: name as you want it printed."),
    ("wrong check digit", whole("player", "player_id,name,isni", "anna-vint,Anna Vint,0000000121032684", "bela-ort,Bela Ort,"), "catalogue/player.csv", "row 2: isni = 0000000121032684: has a wrong check digit; look for a slip of the keys: one character is wrong or two are swapped"),
    # --- dates
    ("day that is not in the calendar", instead("player", "1870", "1870-02-30"), "catalogue/player.csv", "row 2: born = 1870-02-30: is no day of the calendar (day is out of range for month); months run from 01 to 12, seasons from 21 to 24"),
    ("date with points", instead("player", "1870", "31.12.1870"), "catalogue/player.csv", "row 2: born = 31.12.1870: is not a date in EDTF; write 1870-12-31 if that is meant"),
    ("date in words", instead("player", "1870", "around 1870"), "catalogue/player.csv", "row 2: born = around 1870: is not a date in EDTF; write 1870~ if that is meant"),
    ("date by an old draft", instead("player", "1870", "187u"), "catalogue/player.csv", "row 2: born = 187u: uses the spelling of an old draft; write 187X"),
    ("year of five digits", instead("player", "1870", "18700"), "catalogue/player.csv", "row 2: born = 18700: is not a date in EDTF; write it as 1903, 1903-11, 1903-11-05, 1904~ or 190X"),
    ("year of five digits, as the standard writes it", instead("player", "1870", "Y18700"), "catalogue/player.csv", "row 2: born = Y18700: is far outside the years of recording; write a year of four digits"),
    ("birth in the Middle Ages", instead("player", "1870", "1066"), "catalogue/player.csv", "row 2: born = 1066: is long before there were recordings; look for a slip of the keys"),
    ("birth in the future", instead("player", "1870,1941~", "2999,"), "catalogue/player.csv", "row 2: born = 2999: is in the future; look for a slip of the keys"),
    ("death before birth", instead("player", "1941~", "1860"), "catalogue/player.csv", "row 2: died = 1860: is before the birth (1870); mend one of the two dates"),
    ("interval that runs backwards", instead("teaching", "1908/1912", "1912/1908"), "catalogue/teaching.csv", "row 2: span = 1912/1908: runs backwards; write the earlier end first: 1908/1912"),
    ("recording after the player's death", instead("session", "1903-05-01", "1950"), "catalogue/performance.csv", "row 2: player_id = anna-vint: played on k1 (1950), after having died (1941~); mend one of the dates, or the player"),
    ("transfer before the recording", whole("transfer", "transfer_id,side_id,file,turntable_rpm,transferred", "t1,s1,one.wav,78.26,1899"), "catalogue/transfer.csv", "row 2: transferred = 1899: is before the recording of k1 (1903-05-01); mend one of the two dates"),
    # --- numbers and words
    ("decimal comma between commas", instead("transfer", "one.wav,78.26", 'one.wav,"78,26"'), "catalogue/transfer.csv", "row 2: turntable_rpm = 78,26: has a decimal comma; write 78.26"),
    ("number in words", instead("transfer", "one.wav,78.26", "one.wav,about 78"), "catalogue/transfer.csv", "row 2: turntable_rpm = about 78: is not a number; write digits with a decimal point (in rpm, without writing the unit)"),
    ("number with its unit", instead("transfer", "one.wav,78.26", "one.wav,78 rpm"), "catalogue/transfer.csv", "row 2: turntable_rpm = 78 rpm: is not a number; write digits with a decimal point (in rpm, without writing the unit)"),
    ("number that is none", instead("transfer", "one.wav,78.26", "one.wav,nan"), "catalogue/transfer.csv", "row 2: turntable_rpm = nan: is not a number; write digits with a decimal point (in rpm, without writing the unit)"),
    ("endless number", instead("transfer", "one.wav,78.26", "one.wav,1e999"), "catalogue/transfer.csv", "row 2: turntable_rpm = 1e999: is too large for a number; look for a slip of the keys"),
    ("negative speed", instead("transfer", "one.wav,78.26", "one.wav,-78"), "catalogue/transfer.csv", "row 2: turntable_rpm = -78: must be 10 to 200 rpm; look for a slip of the keys, or a wrong unit (rpm is meant)"),
    ("speed with a slip of the keys", instead("transfer", "one.wav,78.26", "one.wav,7826"), "catalogue/transfer.csv", "row 2: turntable_rpm = 7826: must be 10 to 200 rpm; look for a slip of the keys, or a wrong unit (rpm is meant)"),
    ("half a part of a take", whole("side_take", "side_id,take_id,part", "s1,k1,1.5", "s2,k2,"), "catalogue/side_take.csv", "row 2: part = 1.5: is not a whole number; write digits only"),
    ("neither yes nor no", whole("transfer", "transfer_id,side_id,file,stands_for_take", "t1,s1,one.wav,maybe", "t2,s2,two.wav,"), "catalogue/transfer.csv", "row 2: stands_for_take = maybe: is neither yes nor no; write yes, no, or leave it empty"),
    ("misspelt instrument", instead("performance", "anna-vint,violin", "anna-vint,violine"), "catalogue/performance.csv", "row 2: instrument = violine: must be one of violin, viola, cello, double_bass, piano, organ, harp, guitar, voice, conductor, other; did you mean violin?"),
    ("word that is not on the list", instead("take", "2,piano", "2,kazoo"), "catalogue/take.csv", "row 2: accompaniment = kazoo: must be one of none, piano, organ, harp, guitar, second_string, ensemble, orchestra, voice, other, unknown; choose one of these, or leave the cell empty"),
    ("key that is none", instead("work", "D major", "H sharp dur"), "catalogue/work.csv", "row 2: key = H sharp dur: must be a key such as D major, B flat minor, F# minor; write B major"),
    # --- rows against each other
    ("take of nobody known", row("performance", "k1,anna-vynt,violin,soloist,certain"), "catalogue/performance.csv", "row 4: player_id = anna-vynt: is not in player.csv; did you mean anna-vint?"),
    ("row that hangs on a wrong one", both(row("player", "Cy,Cy Tarn,,"), row("teaching", "anna-vint,Cy,1920,certain")), "catalogue/teaching.csv", "row 3: student_id = Cy: must be an id: small letters, digits, - and _, beginning with a letter or digit, at most 64; must stand in player.player_id; write cy"),
    ("row that hangs on an unread table", put("catalogue/player.csv", TABLES["player"].encode("utf-16")), "catalogue/teaching.csv", "row 2: teacher_id = anna-vint: is left out, since player.csv cannot be read as a whole; mend player.csv first"),
    ("someone who taught himself", row("teaching", "bela-ort,bela-ort,1910,certain"), "catalogue/teaching.csv", "row 3: student_id = bela-ort: Bela Ort teaches themself; name another teacher, or delete the row"),
    ("circle of two teachers", row("teaching", "bela-ort,anna-vint,1915,certain"), "catalogue/teaching.csv", "row 2: student_id = bela-ort: closes a circle: Anna Vint taught Bela Ort taught Anna Vint; delete or turn round one of its rows"),
    ("lessons before birth", row("teaching", "anna-vint,bela-ort,1890,certain"), "catalogue/teaching.csv", "row 3: span = 1890: Bela Ort was taught 1890, before being born (1895); mend the span, or player.born"),
    ("shares of more than one", instead("school_membership", "south,0.5", "south,0.9"), "catalogue/school_membership.csv", "row 3: share = 0.9: makes the shares of this player in scheme towns add up to 1.4; lower them to at most 1 together"),
    ("passage that ends before it begins", whole("passage", "transfer_id,from_s,to_s,content", "t1,2,1,solo"), "catalogue/passage.csv", "row 2: to_s = 1: is not after from_s (2); exchange the two"),
    ("passages that overlap", whole("passage", "transfer_id,from_s,to_s,content", "t1,0,1.5,solo", "t1,1,2,voice"), "catalogue/passage.csv", "row 3: from_s = 1: begins before the passage from 0 to 1.5 s ends; passages of one transfer must not overlap"),
    ("passage beyond the end of the file", whole("passage", "transfer_id,from_s,to_s,content", "t1,0,90,solo"), "catalogue/passage.csv", "row 2: to_s = 90: is beyond the end of the file (2.50 s); passages count seconds of the file"),
    ("passage of a take on another side", whole("passage", "transfer_id,from_s,to_s,content,take_id", "t1,0,1,solo,k2"), "catalogue/passage.csv", "row 2: take_id = k2: is not on side s1, which carries k1; mend it, or add a row to side_take.csv"),
    ("decision that decides nothing", whole("speed_decision", "transfer_id,reference_pitch_hz,reason,decided_by,decided_on", "t1,440,by ear,lea,2026-01-05"), "catalogue/speed_decision.csv", "row 2: playing_rpm: says neither playing_rpm nor correction_cents; give one of them, or delete the row"),
    ("decision that decides twice", whole("speed_decision", "transfer_id,playing_rpm,correction_cents,reference_pitch_hz,reason,decided_by,decided_on", "t1,76,-50,440,by ear,lea,2026-01-05"), "catalogue/speed_decision.csv", "row 2: playing_rpm = 76: stands beside correction_cents; give one of them only: they may contradict each other"),
    ("decision at an impossible speed", whole("speed_decision", "transfer_id,playing_rpm,reference_pitch_hz,reason,decided_by,decided_on", "t1,780,440,by ear,lea,2026-01-05"), "catalogue/speed_decision.csv", "row 2: playing_rpm = 780: must be 10 to 200 rpm; look for a slip of the keys, or a wrong unit (rpm is meant)"),
    ("decision without a reason", whole("speed_decision", "transfer_id,playing_rpm,reference_pitch_hz,decided_by,decided_on", "t1,76,440,lea,2026-01-05"), "catalogue/speed_decision.csv", "reason: this column is missing; add it: Why: written down so that nobody corrects again."),
    ("two transfers that both stand for a take", whole("transfer", "transfer_id,side_id,file,turntable_rpm,stands_for_take", "t1,s1,one.wav,78.26,yes", "t2,s1,two.wav,78.26,yes"), "catalogue/transfer.csv", "row 3: stands_for_take = yes: stands for k1, and so does t1; write yes at one of them only"),
    ("restricted rights made public", whole("transfer", "transfer_id,side_id,file,turntable_rpm,rights_status,visibility", "t1,s1,one.wav,78.26,restricted,public"), "catalogue/transfer.csv", "row 2: visibility = public: although the rights are restricted; write private, or mend rights_status"),
    # --- paths
    ("path that climbs out", instead("transfer", "one.wav", "../../etc/passwd"), "catalogue/transfer.csv", "row 2: file = ../../etc/passwd: is not a path below audio/; write the path below audio/, with forward slashes, and put the file there"),
    ("absolute path", instead("transfer", "one.wav", "/etc/passwd"), "catalogue/transfer.csv", "row 2: file = /etc/passwd: is not a path below audio/; write the path below audio/, with forward slashes, and put the file there"),
    ("path of a Windows drive", instead("transfer", "one.wav", "C:\\sound\\one.wav"), "catalogue/transfer.csv", "row 2: file = C:\\sound\\one.wav: is not a path below audio/; write the path below audio/, with forward slashes, and put the file there"),
    ("path with backslashes", instead("transfer", "one.wav", "box\\one.wav"), "catalogue/transfer.csv", "row 2: file = box\\one.wav: is not a path below audio/; write the path below audio/, with forward slashes, and put the file there"),
    ("address in the place of a path", instead("transfer", "one.wav", "https://example.org/one.wav"), "catalogue/transfer.csv", "row 2: file = https://example.org/one.wav: is not a path below audio/; write the path below audio/, with forward slashes, and put the file there"),
    ("audio that is a link out", link("audio/one.wav"), "catalogue/transfer.csv", "row 2: file = one.wav: leads out of audio/ by a link; write the path below audio/, with forward slashes, and put the file there"),
    ("path that is written in two ways", instead("transfer", "two.wav", "ONE.wav"), "catalogue/transfer.csv", "row 3: file = ONE.wav: is not in audio/; did you mean one.wav?"),
    ("audio that is not there", instead("transfer", "one.wav", "oen.wav"), "catalogue/transfer.csv", "row 2: file = oen.wav: is not in audio/; did you mean one.wav?"),
    ("audio that lies in a folder now", lambda root: tone(root / "audio" / "box" / "one.wav") and (root / "audio" / "one.wav").unlink(), "catalogue/transfer.csv", "row 2: file = one.wav: is not in audio/; did you mean box/one.wav?"),
    # --- audio
    ("empty audio", put("audio/one.wav", b""), "catalogue/transfer.csv", "row 2: file = one.wav: is empty; copy the file again from its source"),
    ("text with the name of audio", put("audio/one.wav", "not sound\n" * 90), "catalogue/transfer.csv", "row 2: file = one.wav: is not an audio file that can be decoded; use WAV, FLAC, AIFF, Ogg, MP3 or M4A"),
    ("audio of a kind that cannot be read", put("audio/one.wav", b"\x00\x00\x00 ftypM4A " + b"\x00" * 500), "catalogue/transfer.csv", "row 2: file = one.wav: is cut short: its table of contents (moov) is missing; copy the file again from its source"),
    ("folder with the name of audio", folder("audio/one.wav"), "catalogue/transfer.csv", "row 2: file = one.wav: is not a file; mend the path in transfer.csv"),
    ("audio cut short", cut_short, "catalogue/transfer.csv", "row 2: file = one.wav: is cut short: 1,001 of 40,000 bytes of sound are missing; copy the file again from its source"),
    ("silence", samples(np.zeros(3 * RATE_HZ)), "catalogue/transfer.csv", "row 2: file = one.wav: is silent (peak 0.0e+00); look whether the right channel or span is named"),
    ("clipping throughout", samples(np.sign(NOISE)), "catalogue/transfer.csv", "row 2: file = one.wav: is clipped throughout (100 % of its samples stand at the peak); transfer or export it again at a lower level"),
    ("samples that are not numbers", samples(np.where(np.arange(NOISE.size) == 8_000, np.nan, NOISE), subtype="FLOAT"), "catalogue/transfer.csv", "row 2: file = one.wav: holds a sample that is not a number at 1.000 s; export it again from the program that made it"),
    ("half a second", samples(NOISE[:4_000]), "catalogue/transfer.csv", "row 2: file = one.wav: gives a side of 0.50 s, too short to measure; at least 2 s are needed"),
    ("telephone sound", samples(NOISE, rate=4_000), "catalogue/transfer.csv", "row 2: file = one.wav: has a sample rate of 4000 Hz; 8 to 192 kHz can be used"),
    ("side that begins after the file ends", whole("transfer", "transfer_id,side_id,file,file_start_s", "t1,s1,one.wav,100"), "catalogue/transfer.csv", "row 2: file_start_s = 100: is beyond the end of the file (2.50 s); mend it, or leave it empty for the beginning of the file"),
    ("side that ends before it begins", whole("transfer", "transfer_id,side_id,file,file_start_s,file_end_s", "t1,s1,one.wav,2,1"), "catalogue/transfer.csv", "row 2: file_end_s = 1: is not after file_start_s (2); exchange the two"),
    ("two sides in one stretch of a file", whole("transfer", "transfer_id,side_id,file,file_start_s,file_end_s", "t1,s1,one.wav,0,2", "t2,s2,one.wav,1,2.4"), "catalogue/transfer.csv", "row 3: file = one.wav: is used by t1 too, and their spans overlap; give both file_start_s and file_end_s, or mend the path"),
    ("length that is not the file's", whole("transfer", "transfer_id,side_id,file,length_s", "t1,s1,one.wav,180"), "catalogue/transfer.csv", "row 2: length_s = 180: but the side lasts 2.5 s in one.wav; look whether it is the right file, or mend length_s"),
    # --- reviews
    ("verdict that is none", review("t1", HASH, "0", "1", "perhaps", "", "lea", "2026-01-05"), "reviews/lea.csv", "row 2: verdict = perhaps: must be one of slide, no_slide, cannot_tell, withdrawn; choose one of these"),
    ("verdict with half a hash", review("t1", "abc123", "0", "1", "slide", "", "lea", "2026-01-05"), "reviews/lea.csv", "row 2: samples_sha256 = abc123: must be a SHA-256 hash: 64 hexadecimal digits; mend it"),
    ("verdict on a side that is not here", review("t9", HASH, "0", "1", "slide", "", "lea", "2026-01-05"), "reviews/lea.csv", "row 2: transfer_id = t9: is not in transfer.csv; add a row to transfer.csv, or mend the id"),
    ("verdict in another's file", review("t1", HASH, "0", "1", "slide", "", "lea", "2026-01-05", file="max.csv"), "reviews/max.csv", "row 2: listener = lea: stands in the file of max; move the row to reviews/lea.csv"),
    ("verdict on a stretch that runs backwards", review("t1", HASH, "1", "0.5", "slide", "", "lea", "2026-01-05"), "reviews/lea.csv", "row 2: transfer_end_s = 0.5: is not after transfer_start_s (1); exchange the two"),
    ("kind of a slide that is none", review("t1", HASH, "0", "1", "no_slide", "same_finger", "lea", "2026-01-05"), "reviews/lea.csv", "row 2: kind = same_finger: is given though the verdict is no_slide; leave it empty, or mend the verdict"),
    ("verdict on no day", review("t1", HASH, "0", "1", "slide", "", "lea", "5.1.2026"), "reviews/lea.csv", "row 2: judged_on = 5.1.2026: is not a day; write it as year-month-day: 2026-11-25"),
    # --- settings
    ("settings that are no TOML", put("settings.toml", "title = Made\n"), "settings.toml", "not readable as TOML (Invalid value (at line 1, column 9)); mend that line"),
    ("misspelt setting", put("settings.toml", "[intake]\nshortest = 2.0\n"), "settings.toml", "intake.shortest: unknown setting; did you mean 'shortest_s'?"),
    ("misspelt group of settings", put("settings.toml", "[intakes]\nshortest_s = 2.0\n"), "settings.toml", "intakes: unknown setting; did you mean 'intake'?"),
    ("setting out of its range", put("settings.toml", "[intake]\nshortest_s = 1000\n"), "settings.toml", "intake.shortest_s = 1000: input should be less than or equal to 60; change the value"),
    ("setting of another type", put("settings.toml", '[summarise]\nseed = "often"\n'), "settings.toml", "summarise.seed = 'often': input should be a valid integer, unable to parse string as an integer; change the value"),
    ("setting with a word that is not on the list", put("settings.toml", '[follow]\nscoring = "magic"\n'), "settings.toml", "follow.scoring = 'magic': input should be 'network' or 'comb'; change the value"),
    ("group that is no group", put("settings.toml", "intake = 3\n"), "settings.toml", "intake = 3: is a group of settings; write its settings below [intake]"),
    ("settings saved as Latin-1", put("settings.toml", 'title = "Träume"\n'.encode("latin-1")), "settings.toml", "line 1 is not saved as UTF-8; save the file again as UTF-8"),
    ("settings with a zero byte", put("settings.toml", 'title = "a\x00b"\n'), "settings.toml", "not readable as TOML (Illegal character '\\x00' (at line 1, column 11)); mend that line"),
    ("settings in a thousand brackets", put("settings.toml", "title = " + "[" * 5_000), "settings.toml", "is nested too deep, or holds numbers too long, to be read; write it anew"),
    ("settings that are a folder", folder("settings.toml"), "settings.toml", "cannot be read (is a directory); put the file itself there, readable to you"),
    ("scheme of periods that is not there", put("settings.toml", 'default_period_scheme = "halfs"\n'), "settings.toml", "default_period_scheme = halfs: is not a scheme of period.csv; did you mean halves?"),
]

# What is only to know: nothing has to be mended, and the exit status is 0.
REMARKS: list[tuple[str, Spoil, str, str]] = [
    ("verdict on other sound", review("t1", OTHER_SOUND, "0", "1", "slide", "", "lea", "2026-01-05"), "reviews/lea.csv", f"row 2: samples_sha256 = {OTHER_SOUND}: the verdict was given on other sound, and waits; listen again; if it still holds, write SAMPLES"),
    ("no turntable speed", whole("transfer", "transfer_id,side_id,file", "t1,s1,one.wav"), "catalogue/transfer.csv", "row 2: turntable_rpm: no turntable speed; add it if the archive tells; else speeds in rpm stay empty"),
    ("audio that nobody has entered", lambda root: tone(root / "audio" / "box" / "three.wav", hz=330.0), "audio/box/three.wav", "is not in transfer.csv; enter what lies in audio/ with: glideline add DIR"),
    ("one name for two people", row("player", "anna-vint-2,Anna  VINT,,"), "catalogue/player.csv", "row 4: name = Anna  VINT: is also the name of anna-vint; keep one row if they are one person"),
    ("side without a take", row("side", "s3,Nonesuch,78,A"), "catalogue/side.csv", "row 4: side_id = s3: carries no take; add a row to side_take.csv"),
    ("rule for channels that a file has not", whole("transfer", "transfer_id,side_id,file,turntable_rpm,channel_rule", "t1,s1,one.wav,78.26,left"), "catalogue/transfer.csv", "row 2: channel_rule = left: has no effect: the file has one channel; leave it empty"),
    ("taught at the age of two", row("teaching", "anna-vint,bela-ort,1897,certain"), "catalogue/teaching.csv", "row 3: span = 1897: Bela Ort was at most 2 years old; look whether the span is right"),
]
# What looks bad and is not.
HARMLESS: list[tuple[str, Spoil]] = [
    ("names with quotes, commas and angle brackets", row("player", 'cy,"Cy ""the bow"" O\'Tarn, <jun.>",,')),
    ("a name that runs from right to left", row("player", "cy,\u05e2\u05e0\u05d4 \u05d5\u05d9\u05e0\u05d8,,")),
    ("a name that a spreadsheet would compute", row("player", "cy,=1+1,,")),
    ("a table with semicolons and decimal commas", put("catalogue/transfer.csv", "transfer_id;side_id;file;turntable_rpm\r\nt1;s1;one.wav;78,26\r\nt2;s2;two.wav;78,26\r\n")),
    ("empty rows and columns", instead("player", "1895,", "1895,\n,,,\n,,,,,")),
    ("lock file and hidden file beside the tables", both(put("catalogue/~player.csv#", "x"), put("catalogue/.DS_Store", b"\x00"))),
]
# fmt: on


@pytest.fixture
def corpus(tmp_path: Path) -> Path:
    return sound_corpus(tmp_path / "corpus")


def _lines(out: str, file: str) -> list[str]:
    """The lines that ``check`` printed below the name of a file."""
    lines, here = [], ""
    for line in out.splitlines():
        if line.startswith("    "):
            lines += [line.strip()] if here == file else []
        elif line.startswith("  "):
            here = line.strip()
    return lines


def test_the_unspoilt_corpus_is_sound(corpus: Path) -> None:
    said = glideline("check", corpus)
    assert (said.status, said.err) == (0, "")
    assert said.out == "Nothing to mend or to know: 24 rows and 2 transfers looked at.\n"


def _put_aside(root: Path, spoil: Spoil) -> dict[str, bytes]:
    spoil(root)
    return hand_kept(root)


@pytest.mark.parametrize(("what", "spoil", "file", "message"), BAD, ids=[case[0] for case in BAD])
def test_what_is_bad_is_said(corpus: Path, what: str, spoil: Spoil, file: str, message: str) -> None:
    before = _put_aside(corpus, spoil)
    said = glideline("check", corpus, "--all")
    assert said.status == 1
    assert message in _lines(said.out, file)
    assert hand_kept(corpus) == before


@pytest.mark.parametrize(("what", "spoil", "file", "message"), REMARKS, ids=[case[0] for case in REMARKS])
def test_what_is_only_strange_is_said_too(corpus: Path, what: str, spoil: Spoil, file: str, message: str) -> None:
    before = _put_aside(corpus, spoil)
    said = glideline("check", corpus, "--all")
    assert said.status == 0
    message = message.replace("SAMPLES", samples_hash(corpus / "audio" / "one.wav"))
    assert message in _lines(said.out, file)
    assert hand_kept(corpus) == before


@pytest.mark.parametrize(("what", "spoil"), HARMLESS, ids=[case[0] for case in HARMLESS])
def test_what_only_looks_bad_passes(corpus: Path, what: str, spoil: Spoil) -> None:
    spoil(corpus)
    said = glideline("check", corpus)
    assert (said.status, said.out.partition(":")[0]) == (0, "Nothing to mend or to know")


def test_everything_at_once_is_said_at_once(corpus: Path) -> None:
    """Sixty bad rows in one corpus: all are named, and the sound side is still there to be measured."""
    cells = [f"1{n:03d}-13-45" for n in range(60)]
    before = _put_aside(corpus, row("player", *(f"p{n},Somebody {n},{cell}," for n, cell in enumerate(cells))))
    said = glideline("check", corpus)
    assert said.status == 1
    assert sum(f"born = {cell}" in said.out for cell in cells) == 60
    assert hand_kept(corpus) == before
    planned = glideline("run", corpus, "--explain")
    assert planned.status == 0
    assert "t1" in planned.out


@pytest.mark.parametrize("table", ["transfer", "take", "performance", "side_take"])
def test_rows_that_cannot_be_seen_are_not_taken_for_deleted(corpus: Path, table: str) -> None:
    """A run drops what belongs to deleted rows; it must not do so because a table was saved in another way."""
    kept = corpus / "derived" / "tables" / "pitch_frame" / "t1.parquet"
    kept.parent.mkdir(parents=True)
    kept.write_bytes(b"a night's work")
    put(f"catalogue/{table}.csv", TABLES[table].encode("utf-16"))(corpus)
    for more in ((), ("--explain",)):
        said = glideline("run", corpus, *more)
        assert said.status == 1
        assert said.err.endswith(
            "glideline: nothing can be planned while some rows cannot be seen:\n"
            f"catalogue/{table}.csv: is not saved as UTF-8; save it again as 'CSV UTF-8'\n"
        )
    assert kept.read_bytes() == b"a night's work"


@pytest.mark.parametrize(
    ("name", "code", "message"),
    [
        ("catalogue/take.csv", errno.EACCES, "cannot be read (Permission denied); check that it is a file"),
        ("catalogue/take.csv", errno.EIO, "cannot be read (Input/output error); check that it is a file"),
        ("settings.toml", errno.EACCES, "cannot be read (permission denied); put the file itself there"),
    ],
)
def test_files_that_may_not_be_read(corpus: Path, name: str, code: int, message: str) -> None:
    """The system's refusal is made up, since the superuser may read everything."""
    refusal = PermissionError if code == errno.EACCES else OSError
    with failing(name, "read_bytes", refusal(code, os.strerror(code)), below=corpus):
        said = glideline("check", corpus)
    assert said.status == 1
    assert any(line.startswith(message) for line in _lines(said.out, name))


def test_the_tables_of_bad_things_are_long_enough() -> None:
    names = [case[0] for case in (*BAD, *REMARKS, *HARMLESS)]
    assert len(set(names)) == len(names)
    assert len(BAD) >= 100
    assert all(len(message) > 20 and message != "?" for _, _, _, message in (*BAD, *REMARKS))
