"""What else than VE could explain what was seen: a catalogue of causes, and how sure each is."""
