"""A folder into which a gauge or its software drops trace files."""
