"""The running station: capture, cycle, light, supervision."""
