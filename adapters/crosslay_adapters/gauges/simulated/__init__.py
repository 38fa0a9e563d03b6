"""A simulated gauge on physically modelled surfaces."""
