"""The measuring bench: generated requests, and the table of goals against figures that `make bench` prints."""
