"""Tools for the pages that need a browser: the pictures of the README, and how fast and large a board is."""
