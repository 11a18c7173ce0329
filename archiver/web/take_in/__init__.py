"""Taking the pictures of a card in: drafts, meaning, confirming the side, archiving."""
