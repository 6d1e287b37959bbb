"""Belt-free mathematics: filters, fits and change tests, each value with its spread."""
