"""Statistics: arrays and small frames in, numbers with intervals out."""
