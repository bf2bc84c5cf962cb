"""What the public door leads to that opens files: reading, learning, results with labels."""
