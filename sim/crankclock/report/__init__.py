"""What people and programs read: words, data, charts. Reports only read results; they compute nothing."""
