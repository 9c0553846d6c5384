"""What is kept of practising, on this computer alone, and lists of exercises that a teacher gives."""
