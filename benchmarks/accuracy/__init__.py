"""How right the readings are: truth, got and goal of many signals, and how often U holds."""
