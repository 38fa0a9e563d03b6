"""One module per verb."""
