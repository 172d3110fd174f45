"""A race's life on this server: set up, opened, called, kept. The rules of a race are the core's."""
