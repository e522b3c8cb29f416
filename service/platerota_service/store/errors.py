"""What can be wrong with the store as a whole."""


class StoreError(Exception):
    """The database cannot be used; the words are for whoever runs the service."""
