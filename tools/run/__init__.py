"""One way from source to outcome: sources, session, solving, writing."""
