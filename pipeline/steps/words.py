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

FACTS = {
    "already_corrected": "speed already corrected",
    "bowed_beside": "bowed players beside the soloist",
    "correction_cents": "correction in cents",
    "decided_by": "decided by",
    "decided_on": "decided on",
    "decision": "ruling by hand",
    "decisions": "places set by hand",
    "file_start_s": "beginning in the file in s",
    "hz": "A4 in Hz",
    "instruments": "instrument",
    "key_remark": "remark on the key",
    "key_share": "chance that the key is the one played",
    "labels": "usual speeds of the label",
    "length_s": "length stated in s",
    "one_speed": "one speed all along",
    "open_strings": "open strings",
    "playing_rpm": "playing speed in rpm",
    "printed": "printed fingering",
    "process": "recorded by",
    "reference_pitch_hz": "reference pitch in Hz",
    "references": "reference pitch",
    "said": "where the solo is, as passages say",
    "samples_sha256": "hash of the sound ruled on",
    "sd_cents": "standard deviation in cents",
    "se_cents": "standard error in cents",
    "second": "bowed players beside the soloist",
    "stated": "stated in the catalogue",
    "takes": "take",
    "turntable_rpm": "speed of the turntable in rpm",
    "ways": "ways through the part",
    "work_id": "work",
    "works": "work",
}
"""What a step reads of the catalogue, where its name does not say it in plain words."""
