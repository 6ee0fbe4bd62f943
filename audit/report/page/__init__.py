"""The parts of the pages people look at: what stands in them, their traces, their look."""
