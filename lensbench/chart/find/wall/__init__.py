"""The pages of a wall set found in a photograph."""
