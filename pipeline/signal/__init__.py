"""Pure signal code: arrays in, arrays out. Knows no files, tables, logging or clocks."""
