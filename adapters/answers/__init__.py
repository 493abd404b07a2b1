"""What the keeper answers to letters: the mailbox in which it arrives, and how one word is read out of a message."""
