"""What people tell the daemon from the command line, and the files they bring along."""
