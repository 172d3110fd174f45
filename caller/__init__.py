"""The core: facts with timestamps in, cues out.

It reads no clock, opens no socket and holds no global. Live calling, rehearsal, replay and tests run the same code.
"""
