"""Ground search for large buried metal on foot: plan, walk, prove, choose, dig, hand over."""

__version__ = "0.1.0"
