// A new id for something a page names itself.

import { uuid7 } from "../core/uuid.js";

export const newId = () => uuid7(Date.now(), crypto.getRandomValues(new Uint8Array(10)));
