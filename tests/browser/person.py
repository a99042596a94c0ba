"""Someone at the page who counts what they do, for tasks measured in acts and in pixels scrolled."""

from __future__ import annotations

from tests.browser.station import eventually

SCROLLED = "() => [document.scrollingElement, ...document.querySelectorAll('*')].reduce((sum, e) => sum + e.scrollTop, 0)"
WHOLLY_SEEN = """(node) => {
  const box = node.getBoundingClientRect();
  const main = document.getElementById("main").getBoundingClientRect();
  return box.height > 0 && box.top >= main.top - 1 && box.bottom <= main.bottom + 1;
}"""


class Person:
    """Someone at the page who counts what they do: every press, tick or drag is an act."""

    def __init__(self, page: object) -> None:
        self.page, self.acts = page, 0

    def press(self, testid: str) -> None:
        """One act."""
        self.see(testid).click()
        self.acts += 1

    def write(self, testid: str, text: str) -> None:
        """One act to go into a field; what is typed there is part of it."""
        self.see(testid).fill(text)
        self.acts += 1

    def hold(self, testid: str) -> None:
        """One act: hold a control until it has taken it and is gone."""
        box = self.see(testid).bounding_box()
        self.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        self.page.mouse.down()
        eventually(lambda: not self.see(testid).is_visible(), 6)
        self.page.mouse.up()
        self.acts += 1

    def see(self, testid: str) -> object:
        """Return what is on the page under a test id."""
        return self.page.locator(f'[data-testid="{testid}"]').first

    def told(self, testid: str) -> str:
        """Return a text that can be read without scrolling."""
        eventually(lambda: self.see(testid).evaluate(WHOLLY_SEEN))
        return self.see(testid).inner_text()

    def count(self, task: str) -> tuple[int, int]:
        """Print and return the acts and the pixels that anything is scrolled by."""
        scrolled = round(self.page.evaluate(SCROLLED))
        print(f"{task}: {self.acts} acts, {scrolled} px scrolled")
        return self.acts, scrolled
