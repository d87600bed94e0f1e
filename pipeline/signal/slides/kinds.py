"""Names of the kinds of slide and of the strokes that carry one, in the order in which tables list them."""

KINDS = ("same_finger", "departing_finger", "arriving_finger", "two_finger", "into_note", "cannot_tell")
STROKES = ("before", "after", "both")
