"""The bus as a whole: how busy it is, its errors, its silences, and whether the times of its log can be believed."""
