"""The screen: a full-screen terminal picture of the room, attached to a running watch."""
