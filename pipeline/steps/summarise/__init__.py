"""The step ``summarise``: rates with intervals, comparisons, effects and agreement over the whole corpus."""
