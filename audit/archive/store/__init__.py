"""What is kept, written whole or not at all."""
