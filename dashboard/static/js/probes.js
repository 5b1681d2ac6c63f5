// The Probes page: who speaks for the first time is there within two seconds.
import { livePage } from "./live-page.js";

livePage({ address: () => "/fragments/probes", concerns: () => true, follows: ["probes", "alarm"] });
