"""Profile filters of the ISO 16610 series and their forerunners."""
