"""`python -m budvision.render.standin`: write a folder of stand-in photographs."""

from budvision.render.standin.folder import main

main()
