"""Tools that several tests share: independent synths, readers and rulers. Nothing here imports the package."""
