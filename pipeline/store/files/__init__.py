"""How do files stay whole, whoever is at work and whenever the power goes?

Every hand-kept file changes by one way (``changes``): under the corpus's lock, by a list that the next command finishes
or undoes; derived files take their places whole (``durable``). Paths stay inside the corpus, results outside its own.

Doors: ``changes.changing``, ``durable.replacing``, ``lock.locked``, ``outputs.output``, ``paths.leads_out``.
"""
