"""Learning from many recordings at once, on many processes or machines (the extra `fleet`)."""
