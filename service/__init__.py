"""The web service, its pages, the program `coverslip` and the demo."""
