// A dialogue in steps, of which one shows at a time; closed by its buttons or Escape.

export class Sheet {
  constructor(element, steps, onClose) {
    this.element = element;
    this.steps = steps;
    element.addEventListener("close", onClose);
    for (const button of element.querySelectorAll(".close"))
      button.addEventListener("click", () => element.close());
  }

  open() {
    this.show(this.steps[0]);
    this.element.showModal();
  }

  show(step) {
    this.shown = step;
    this.steps.forEach((name) => {
      this.element.querySelector(`.${name}`).hidden = name !== step;
    });
  }
}
