"""The station file: models, loading, error texts."""
