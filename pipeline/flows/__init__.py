"""How is a run carried out over many sides? Processes on one machine, or Prefect's task runners; how it is shown.

No arithmetic and no file formats: what is due and why is ``pipeline.engine``'s. A worker that dies takes its own side
along and no other; only ``corpus``, ``engines`` and ``serve`` know Prefect, which is loaded late and may be missing.

Doors: ``run.run``, ``status.status``.
"""
