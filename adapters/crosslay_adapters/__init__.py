"""Built-in adapters: gauges, indicators, trace files."""
