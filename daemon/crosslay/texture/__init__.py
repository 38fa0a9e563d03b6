"""Surface texture: pure numbers, numpy and scipy only."""
