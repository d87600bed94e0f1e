"""Names of the kinds of slide, in the order in which tables list them."""

KINDS = ("same_finger", "departing_finger", "arriving_finger", "two_finger", "into_note", "cannot_tell")
