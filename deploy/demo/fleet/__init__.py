"""The demonstration fleet of Tarn Valley, as tables and as what writes them out."""
