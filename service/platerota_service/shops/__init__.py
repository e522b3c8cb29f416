"""Shops that are stored once: their tables, single rows of these, and plans made from them."""
