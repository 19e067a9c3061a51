"""Many rooms on one screen, each drawn by the same pages as a room of one's own."""
