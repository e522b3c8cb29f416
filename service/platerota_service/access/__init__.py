"""Who may do what: keys and their scopes, signed links, limits on how often."""
