// Shows how far the work in the background is, without opening the page anew.

const PAUSE = 1500;
const place = document.getElementById("jobs");

async function look() {
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (answer.ok) {
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const now = page.getElementById("jobs");
      if (now.textContent !== place.textContent) place.replaceChildren(...now.children);
      if (!place.children.length) {
        place.textContent = "All is done.";
        return;
      }
    }
  } catch {
    // The service may be starting again.
  }
  setTimeout(look, PAUSE);
}

setTimeout(look, PAUSE);
