"""Written parts: the solo part of a work as one edition prints it, read from notation and kept in the catalogue.

Notes stand as on paper: a repeat is written once, and ``ways`` say where one may go on elsewhere than at the next
note. Notes struck together share one event; events are numbered from 1 in the order of the page. Doors: ``read``
(a file to a part), ``keep`` (a part into the catalogue), ``played`` (the order in which a part is played out).
"""
