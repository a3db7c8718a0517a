"""The way of one stem, and of one song, to copies in the outbox."""
