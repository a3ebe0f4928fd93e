import { openMain, startTheme } from "./page.js";

startTheme();
openMain();
