"""What every other shelf of tools stands on: errors, files, screen, ports, logs."""
