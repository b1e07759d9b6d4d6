// A knife's life is read from the left; what is newest should be seen first.
for (const strip of document.querySelectorAll("[data-strip]")) strip.scrollLeft = strip.scrollWidth;
