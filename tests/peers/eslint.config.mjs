// Run from the top of the checkout: archiver/web holds the modules as they are served.
import js from "@eslint/js";

export default [
  js.configs.recommended,
  {
    linterOptions: { reportUnusedDisableDirectives: "error" },
    rules: {
      "no-undef": "off", // the type check knows every name of the browser
      eqeqeq: "error",
      "no-eval": "error",
      "no-implied-eval": "error",
      "no-shadow": "error",
      "no-var": "error",
      "prefer-const": "error",
    },
  },
];
