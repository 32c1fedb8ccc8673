"""The local web page beside the press: photos in, verdicts out, a person's rulings back."""
