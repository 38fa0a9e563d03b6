"""One module for each thing that makes a trace implausible. The door is `crosslay.inspection.plausibility`."""
