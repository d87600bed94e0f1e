"""The chords of a passage beside the print, on made rows."""

from typing import Any

from pipeline.answers.passages.chords import lines, of_bars


def chord(bar: int, *stops: tuple[str | None, int | None], **own: Any) -> list[dict[str, Any]]:
    """A printed chord with the open strings G and D."""
    row = {"take_id": "t1", "edition": "Ed", "event": 10 * bar, "time_through": 1, "chord_id": f"c{bar}"}
    row |= {"bar": f"{bar}", "bar_index": bar, "beat": 1.0, "verdict": "agree", "probability": 0.8} | own
    return [
        row
        | {"note_number": 10 * bar + i, "printed_string": "GDAE"[i], "printed_finger": 0}
        | {"string": string, "finger": finger}
        for i, (string, finger) in enumerate(stops)
    ]


AGREED = chord(2, ("G", 0), ("D", 0))
DIFFERED = chord(1, (None, None), ("A", 1), take_id="t2", verdict="differ", probability=0.02)


def test_each_take_stands_beside_the_print_in_the_order_of_the_music() -> None:
    again = chord(2, ("G", 0), ("D", 0), time_through=2, beat=None, chord_id="c2b")
    silent = chord(3, ("G", 0), verdict="not_printed", probability=None)
    assert lines([*AGREED, *again, *DIFFERED, *silent]) == [
        ("t2", "1:1", "Ed", "– 1A", "0G 0D: differ, 2 %"),
        ("t1", "2:1", "Ed", "0G 0D", "0G 0D: agree, 80 %"),
        ("t1", "2", "Ed", "0G 0D", "0G 0D: agree, 80 %"),
    ]


def test_chords_of_other_bars_takes_and_editions_are_left_out() -> None:
    rows = [*AGREED, *DIFFERED, *chord(2, ("G", 0), chord_id=None), *chord(2, ("G", 0), edition="Other")]
    assert of_bars(rows, bars={2}, takes={"t1", "t2"}, edition="Ed") == AGREED
    assert of_bars(rows, bars={1, 2}, takes={"t2"}, edition=None) == DIFFERED
