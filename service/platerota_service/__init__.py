"""The service: REST, the engine that runs solves, pictures, and the command line."""
