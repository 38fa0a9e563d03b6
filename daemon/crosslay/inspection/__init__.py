"""The decision: call-outs, plausibility, verdicts. Pure."""
