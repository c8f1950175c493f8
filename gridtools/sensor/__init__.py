"""How an instrument responds against lateral distance, and what that is worth on parallel lanes."""
