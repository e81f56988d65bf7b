from deploy.cli import main

main()
