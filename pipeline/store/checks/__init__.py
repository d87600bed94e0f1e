"""Cross checks of everything that people keep by hand; ``check`` runs them all."""
