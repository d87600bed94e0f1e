"""What each step does, in words for people: while it works, and where its results are traced."""

DOES = {
    "intake": "reads the file",
    "follow": "follows the solo's pitch",
    "measure": "measures what the transfer sounds",
    "settle": "settles the speed, with all sides of the session",
    "detect": "finds notes and slides",
    "match": "lays its notes on the written part",
    "chords": "finds chords and double stops",
    "hand": "finds strings, fingers and positions",
    "recover": "plants slides in this side's own sound and looks for them",
}
"""Of the steps on transfers and sessions, in their order."""

DOING = {
    "intake": "reading",
    "follow": "following the solo",
    "measure": "measuring",
    "settle": "settling speeds",
    "detect": "finding slides",
    "match": "placing notes",
    "chords": "finding chords",
    "hand": "finding fingers",
    "recover": "planting slides",
    "summarise": "working out rates and their limits",
}
