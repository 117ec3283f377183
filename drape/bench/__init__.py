"""Above the viewers: what is printed for the bench."""
