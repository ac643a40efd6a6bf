"""What is done in time: procedures as data, the runner that does them, the wiring of a bench."""
