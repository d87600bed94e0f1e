"""What tests share: made rows, lines, sounds and corpora, and programs that tests start."""
