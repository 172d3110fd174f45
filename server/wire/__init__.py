"""Messages both ways, as pydantic models; domain to wire and wire to domain; errors to codes. Decides nothing."""
