"""Jobs: the journal, the fold over it, and the judging of a step's evidence."""
