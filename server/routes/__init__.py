"""HTTP and sockets: check who asks, parse, hand on. No rule of the race lives here."""
