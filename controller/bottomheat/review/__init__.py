"""What a chamber and its batches went through, worked out from the log."""
