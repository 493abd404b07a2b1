"""What of all this is told, to whom and when: letters, reminders, quiet hours, digest."""
