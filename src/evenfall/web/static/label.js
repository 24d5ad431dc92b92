// The label: one button that prints it.
// @ts-check
const button = document.getElementById("print-label");
if (button) {
  button.hidden = false;
  button.addEventListener("click", () => print());
}
