"""What is drawn: one dictionary, made here, drawn by the window and the page."""
