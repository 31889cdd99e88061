const OPTIONS = {
  config: JSON.parse(document.getElementById("chart-config").textContent),
  ast: true,
  actions: false,
  defaultStyle: false,
  renderer: "svg",
  tooltip: { theme: "season", disableDefaultStyle: true },
  loader: {
    load: () => Promise.reject(new Error("this page loads nothing")),
    // A point may lead to a place on this page, and nowhere else.
    sanitize: (uri) => /^#[a-z0-9-]+$/.test(uri)
      ? Promise.resolve({ href: uri })
      : Promise.reject(new Error("this page leads nowhere else")),
  },
};

function draw(holder) {
  const figure = holder.closest("figure");
  const spec = JSON.parse(document.getElementById(holder.dataset.spec).textContent);
  // A chart in a folded part has no width to fill yet; it takes that of the page, halved where two stand side by side.
  if (holder.clientWidth === 0) {
    const page = holder.closest("section").clientWidth;
    spec.width = holder.closest(".side-by-side") && page >= 800 ? Math.floor((page - 32) / 2) : page;
  }
  return vegaEmbed(holder, spec, OPTIONS).then(
    () => { figure.dataset.state = "drawn"; },
    (error) => {
      figure.dataset.state = "failed";
      holder.textContent = "This chart could not be drawn (" + error.message + "). The table below holds the same figures.";
    },
  );
}

function start() {
  document.documentElement.classList.add("with-script");
  const holders = Array.from(document.querySelectorAll(".chart[data-spec]"));
  // One after the other: a phone stays able to scroll while the charts appear from the top down.
  holders.reduce((before, holder) => before.then(() => draw(holder)), Promise.resolve()).then(() => {
    document.documentElement.dataset.charts = "done";
  });
}

// What is short is printed though it is folded; what is long only where a person opened it.
let opened = [];
window.addEventListener("beforeprint", () => {
  opened = Array.from(document.querySelectorAll("details.paper:not([open])"));
  opened.forEach((details) => { details.open = true; });
});
window.addEventListener("afterprint", () => {
  opened.forEach((details) => { details.open = false; });
});
start();
