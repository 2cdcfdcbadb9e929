"""One module per plot."""
