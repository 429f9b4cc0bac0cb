"""The invented lot of the demonstration and of the example: its kitchen and its photos."""
