"""Cars driven night after night by the advice alone, by a simulator that knows only the trade."""
