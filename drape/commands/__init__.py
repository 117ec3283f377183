"""Arguments, words and progress of single commands."""
