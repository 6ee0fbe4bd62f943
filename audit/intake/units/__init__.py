"""Which unit each channel is in, by word and by physics."""
