"""What station and page both work out, as cases that the tests of both sides run: made by the station's side.

`python -m tests.vectors` writes the JSON files of this folder anew; a test sees to it that they are what the station says
now. The page's tests read the same files, so that neither side can change alone.
"""
