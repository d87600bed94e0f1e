"""What listeners are called in an export: by a code that nobody else has, unless they agreed to be named."""

import re

from pipeline.store.adding.reviews import code_of, code_salt
from pipeline.store.corpus import Corpus

_CODE = re.compile(r"listener-[0-9a-f]{10}")


def pseudonyms(corpus: Corpus) -> dict[str, str]:
    """Listener's id -> name in exports; ``export.named_listeners`` of the settings keep their own.

    A code is made from the id and a secret kept with the corpus: the same in every export of it, other in another
    corpus, and not to be guessed from a name. Codes that came with a colleague's package stay.
    """
    kept = set(corpus.settings.export.named_listeners)
    tables = (corpus.catalogue.frame(name) for name in ("review", "mark"))
    listeners = sorted({listener for table in tables for listener in table["listener"]})
    kept |= {name for name in listeners if _CODE.fullmatch(name)}
    if set(listeners) <= kept:
        return {name: name for name in listeners}
    salt = code_salt(corpus)
    return {name: name if name in kept else code_of(name, salt) for name in listeners}
