"""What listeners are called in an export: by a number, unless they agreed to be named."""

from pipeline.store.corpus import Corpus


def pseudonyms(corpus: Corpus) -> dict[str, str]:
    """Listener's id -> name in exports; ``export.named_listeners`` of the settings keep their own."""
    agreed = set(corpus.settings.export.named_listeners)
    tables = (corpus.catalogue.frame(name) for name in ("review", "mark"))
    listeners = sorted({listener for table in tables for listener in table["listener"]})
    return {name: name if name in agreed else f"listener-{n}" for n, name in enumerate(listeners, start=1)}
