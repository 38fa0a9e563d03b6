"""crosslay: a headless daemon that measures surface texture in the line and hands results to the MES."""

__version__ = "0.1.0"
