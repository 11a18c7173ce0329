// The drawing that goes with the question about a side.
import { one } from "/static/elements.js";
import { Looking } from "/static/looking.js";
import { sideDrawing } from "/static/take_in/side_drawing.js";

const place = one(document, "#drawing", HTMLElement);
place.append(sideDrawing(JSON.parse(place.dataset.edges ?? ""), place.dataset.laterality ?? ""));

// The answer counts once the picture was whole in view.
const image = one(document, ".confirm-body .plate img", HTMLImageElement);
const yes = one(document, ".confirm-body .button-main", HTMLButtonElement);
const looking = new Looking(image, image);
const arm = () => { yes.disabled = !looking.ready; };
looking.addEventListener("changed", arm);
arm();
