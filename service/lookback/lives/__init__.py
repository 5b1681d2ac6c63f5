"""What an animal or a clutch lived through, wherever it was housed."""
