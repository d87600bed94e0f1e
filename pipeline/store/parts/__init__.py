"""Written parts: the solo part of a work as one edition prints it, read from notation and kept in the catalogue.

Notes stand as on paper: a repeat is written once, and ``ways`` say where one may go on elsewhere than at the next
note. Notes struck together share one event; events are numbered from 1 in the order of the page. Sources: MusicXML 4.0,
Standard MIDI Files 1.0.

Doors: ``read.read_part`` (a file to a part), ``part`` (what a part is), ``played.played`` (the order in which a part is
played out).
"""
